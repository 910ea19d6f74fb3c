"""Counts of who holds an array, as plain numbers in the code of each kernel.

Numba counts the holders of an array's memory by atomic instructions behind a call, and takes out
only those counts that its pruning sees to cancel. A view in an inner loop is one up and one down:
a fifth of the time in which the equations of a fit were formed. But what a kernel counts is its
own: numba begins a new count for each array that Python hands over, and no kernel here starts
threads. So the counts that are left after pruning become plain additions, which a processor hides.
"""

from __future__ import annotations

from llvmlite import binding, ir

_WORD, _BYTE = ir.IntType(64), ir.IntType(8).as_pointer()
UP, DOWN = "NRT_incref", "NRT_decref"


def _definitions() -> str:
    """Both counts as LLVM's text; the last one down calls what gives the memory back."""
    module = ir.Module("counts")
    ends = ir.Function(module, ir.FunctionType(ir.VoidType(), [_BYTE]), "NRT_MemInfo_call_dtor")
    for name, change in ((UP, 1), (DOWN, -1)):
        own = ir.Function(module, ir.FunctionType(ir.VoidType(), [_BYTE]), name)
        own.attributes.add("alwaysinline")
        build = ir.IRBuilder(own.append_basic_block())
        held = build.icmp_unsigned("!=", own.args[0], ir.Constant(_BYTE, None))
        with build.if_then(held):
            place = build.bitcast(own.args[0], _WORD.as_pointer())
            left = build.add(build.load(place), ir.Constant(_WORD, change))
            build.store(left, place)
            if change < 0:
                none = build.icmp_unsigned("==", left, ir.Constant(_WORD, 0))
                with build.if_then(none, likely=False):
                    build.call(ends, [own.args[0]])
        build.ret_void()
    return str(module)


def put_in(module: binding.ModuleRef) -> None:
    """Give a module of pruned code its own counts, in place of those that it calls."""
    own = binding.parse_assembly(_definitions())
    own.triple, own.data_layout = module.triple, module.data_layout
    module.link_in(own)
    for name in (UP, DOWN):
        module.get_function(name).linkage = "internal"
