"""Lanes: a number of several members at once, so that plain scalar source compiles to wide code.

A kernel written for one member takes `s[row, m]` of an array (rows, members). With m a whole number
it is that member's number; with m of `lanes_from` it is `WIDTH` members' at once, as one vector of
the processor. Sums, products, quotients and comparisons work on either. What a plain branch would
do is said by the functions below, which take numbers and lanes alike; on a GPU they are compiled
from their plain Python bodies.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba import extending
from numba.core import cgutils, types
from numba.core.datamodel import PrimitiveModel
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import lower_builtin, overload, register_model

intrinsic: Any = extending.intrinsic
WIDTH = 16
"""Members at once: two vectors of 256 bits in single precision, so that none waits for itself."""


def pick(choice: Any, yes: Any, no: Any) -> Any:
    """One of two values; both are computed."""
    return yes if choice else no


def most(a: Any, b: Any) -> Any:
    """The larger one; b where a is no number."""
    return a if a > b else b


def least(a: Any, b: Any) -> Any:
    """The smaller one; b where a is no number."""
    return a if a < b else b


def every(choice: Any) -> Any:
    """Whether it holds for all members at hand: what a branch may ask."""
    return choice


def whole(x: Any) -> Any:
    """The whole number towards zero, as an index of a table."""
    return int(x)


def split(x: Any) -> Any:
    """Mantissa of 1 to 2, and the whole exponent of 2; x is positive, neither tiny nor huge."""
    fraction, exponent = math.frexp(x)
    return 2.0 * fraction, exponent - 1


class Lanes(types.Type):
    """Type of `WIDTH` numbers of one kind."""

    def __init__(self, dtype: types.Type) -> None:
        super().__init__(name=f"Lanes({dtype} x {WIDTH})")
        self.dtype = dtype


class Slot(types.Type):
    """Type of an index that stands for `WIDTH` neighbouring columns."""

    def __init__(self) -> None:
        super().__init__(name=f"Slot({WIDTH})")


@register_model(Lanes)
class _LanesModel(PrimitiveModel):
    def __init__(self, manager: Any, kind: Lanes) -> None:
        one = ir.IntType(1) if kind.dtype is types.boolean else manager[kind.dtype].get_value_type()
        super().__init__(manager, kind, ir.VectorType(one, WIDTH))


@register_model(Slot)
class _SlotModel(PrimitiveModel):
    def __init__(self, manager: Any, kind: Slot) -> None:
        super().__init__(manager, kind, ir.IntType(64))


def _spread(context: Any, builder: Any, value: Any, kind: types.Type, dtype: types.Type) -> Any:
    """A number, or lanes, as lanes of a kind of number."""
    if isinstance(kind, Lanes):
        if kind.dtype is dtype or not isinstance(dtype, types.Float):
            return value
        return builder.fptrunc(value, ir.VectorType(context.get_value_type(dtype), WIDTH))
    one = context.cast(builder, value, kind, dtype)
    if isinstance(one, ir.Constant):
        return ir.Constant(ir.VectorType(one.type, WIDTH), [one] * WIDTH)
    wide = ir.VectorType(one.type, WIDTH)
    first = builder.insert_element(ir.Constant(wide, ir.Undefined), one, ir.IntType(32)(0))
    order = ir.Constant(ir.VectorType(ir.IntType(32), WIDTH), [0] * WIDTH)
    return builder.shuffle_vector(first, ir.Constant(wide, ir.Undefined), order)


def _dtype(a: types.Type, b: types.Type) -> Any:
    """Of an operation on a and b, at least one of which is lanes; None: not one of ours.

    The shorter of two: a table in double precision counts as the numbers that it is used with.
    """
    kinds: list[Any] = [k.dtype for k in (a, b) if isinstance(k, Lanes)]
    if not kinds or not all(isinstance(k, Lanes | types.Number) for k in (a, b)):
        return None
    return None if types.boolean in kinds else min(kinds, key=lambda k: int(k.bitwidth))


def _operation(function: Any, emit: Callable[..., Any], compares: bool) -> None:
    """Teach an operator of two values."""

    class Template(AbstractTemplate):
        key = function

        def generic(self, args: Any, kws: Any) -> Any:
            dtype = _dtype(*args) if len(args) == 2 else None
            if dtype is not None:
                return signature(Lanes(types.boolean if compares else dtype), *args)
            return None

    infer_global(function)(Template)

    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        dtype = _dtype(*sig.args)
        a, b = (_spread(context, builder, v, k, dtype) for v, k in zip(args, sig.args, strict=True))
        return emit(builder, isinstance(dtype, types.Float), a, b)

    for pair in ((Lanes, Lanes), (Lanes, types.Number), (types.Number, Lanes)):
        lower_builtin(function, *pair)(lower)


def _teach() -> None:
    for names, real, whole_ in (
        (("add", "iadd"), "fadd", "add"), (("sub", "isub"), "fsub", "sub"),
        (("mul", "imul"), "fmul", "mul"), (("truediv", "itruediv"), "fdiv", None),
    ):  # fmt: skip

        def emit(
            builder: Any, floats: bool, a: Any, b: Any, real: Any = real, whole_: Any = whole_
        ) -> Any:
            return getattr(builder, real if floats else whole_)(a, b)

        for name in names:
            _operation(getattr(operator, name), emit, False)
    for name, sign in (("lt", "<"), ("le", "<="), ("gt", ">"), ("ge", ">=")):

        def compare(builder: Any, floats: bool, a: Any, b: Any, sign: str = sign) -> Any:
            return (builder.fcmp_ordered if floats else builder.icmp_signed)(sign, a, b)

        _operation(getattr(operator, name), compare, True)


_teach()


@infer_global(operator.neg)
class _Negative(AbstractTemplate):
    def generic(self, args: Any, kws: Any) -> Any:
        return signature(args[0], args[0]) if isinstance(args[0], Lanes) else None


@lower_builtin(operator.neg, Lanes)
def _negative(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.fneg(args[0])


@intrinsic
def lanes_from(typingctx: Any, slot: Any) -> Any:
    """The index of `WIDTH` columns from this one on."""
    return Slot()(slot), lambda context, builder, sig, args: context.cast(
        builder, args[0], sig.args[0], types.int64
    )


def _of_slot(array: Any, index: Any) -> bool:
    """Whether `array[index]` is a row of several members."""
    return (
        isinstance(array, types.Array) and array.ndim == 2 and array.layout == "C"
        and isinstance(index, types.BaseTuple) and isinstance(tuple(index)[-1], Slot)  # type: ignore[arg-type]
    )  # fmt: skip


def _place(context: Any, builder: Any, kind: Any, array: Any, row: Any, column: Any) -> Any:
    """Pointer to lanes, and the alignment of one."""
    view = context.make_array(kind)(context, builder, array)
    stride = cgutils.unpack_tuple(builder, view.shape, 2)[1]
    at = builder.gep(view.data, [builder.add(builder.mul(row, stride), column)])
    one = context.get_value_type(kind.dtype)
    wide = ir.VectorType(one, WIDTH)
    return builder.bitcast(at, wide.as_pointer()), context.get_abi_sizeof(one)


@intrinsic
def _load(typingctx: Any, array: Any, row: Any, slot: Any) -> Any:
    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        row = context.cast(builder, args[1], sig.args[1], types.int64)
        at, align = _place(context, builder, sig.args[0], args[0], row, args[2])
        return builder.load(at, align=align)

    return Lanes(array.dtype)(array, row, slot), lower


@intrinsic
def _store(typingctx: Any, array: Any, row: Any, slot: Any, value: Any) -> Any:
    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        row = context.cast(builder, args[1], sig.args[1], types.int64)
        at, align = _place(context, builder, sig.args[0], args[0], row, args[2])
        wide = _spread(context, builder, args[3], sig.args[3], sig.args[0].dtype)
        builder.store(wide, at, align=align)
        return context.get_dummy_value()

    return types.none(array, row, slot, value), lower


@intrinsic
def _gather(typingctx: Any, table: Any, index: Any) -> Any:
    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        view = context.make_array(sig.args[0])(context, builder, args[0])
        one = context.get_value_type(sig.args[0].dtype)
        out = ir.Constant(ir.VectorType(one, WIDTH), ir.Undefined)
        for k in range(WIDTH):
            lane = ir.IntType(32)(k)
            at = builder.sext(builder.extract_element(args[1], lane), ir.IntType(64))
            out = builder.insert_element(out, builder.load(builder.gep(view.data, [at])), lane)
        return out

    return Lanes(table.dtype)(table, index), lower


@overload(operator.getitem, strict=False)
def _get(array: Any, index: Any) -> Any:
    if _of_slot(array, index):
        return lambda array, index: _load(array, index[0], index[1])
    if isinstance(array, types.Array) and array.ndim == 1 and isinstance(index, Lanes):
        return lambda array, index: _gather(array, index)
    return None


@overload(operator.setitem, strict=False)
def _set(array: Any, index: Any, value: Any) -> Any:
    if _of_slot(array, index):
        return lambda array, index, value: _store(array, index[0], index[1], value)
    return None


@intrinsic
def _choose(typingctx: Any, choice: Any, yes: Any, no: Any) -> Any:
    dtype = _dtype(yes, no)
    dtype = types.unliteral(yes) if dtype is None else dtype

    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, b = (
            _spread(context, builder, v, k, dtype)
            for v, k in zip(args[1:], sig.args[1:], strict=True)
        )
        return builder.select(args[0], a, b)

    return Lanes(dtype)(choice, yes, no), lower


@overload(pick, strict=False)
def _pick(choice: Any, yes: Any, no: Any) -> Any:
    if isinstance(choice, Lanes):
        return lambda choice, yes, no: _choose(choice, yes, no)
    return lambda choice, yes, no: yes if choice else no


@overload(most, strict=False)
def _most(a: Any, b: Any) -> Any:
    return lambda a, b: pick(a > b, a, b)


@overload(least, strict=False)
def _least(a: Any, b: Any) -> Any:
    return lambda a, b: pick(a < b, a, b)


@intrinsic
def _all(typingctx: Any, choice: Any) -> Any:
    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        bits = builder.bitcast(args[0], ir.IntType(WIDTH))
        return builder.icmp_unsigned("==", bits, ir.IntType(WIDTH)(2**WIDTH - 1))

    return types.boolean(choice), lower


@overload(every, strict=False)
def _every(choice: Any) -> Any:
    if isinstance(choice, Lanes):
        return lambda choice: _all(choice)
    return lambda choice: choice


@intrinsic
def _truncated(typingctx: Any, x: Any) -> Any:
    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return builder.fptosi(args[0], ir.VectorType(ir.IntType(32), WIDTH))

    return Lanes(types.int32)(x), lower


@overload(whole, strict=False)
def _whole(x: Any) -> Any:
    if isinstance(x, Lanes):
        return lambda x: _truncated(x)
    return lambda x: int(x)


@intrinsic
def _parts(typingctx: Any, x: Any) -> Any:
    bits, mantissa, bias = (32, 23, 127) if x.dtype is types.float32 else (64, 52, 1023)

    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        real, plain = args[0].type, ir.VectorType(ir.IntType(bits), WIDTH)

        def number(n: int) -> Any:
            return ir.Constant(plain, [n] * WIDTH)

        word = builder.bitcast(args[0], plain)
        power = builder.sub(builder.lshr(word, number(mantissa)), number(bias))
        inner = builder.and_(word, number(2**mantissa - 1))
        one = builder.bitcast(builder.or_(inner, number(bias << mantissa)), real)
        short = ir.VectorType(ir.IntType(32), WIDTH)
        power = power if bits == 32 else builder.trunc(power, short)
        return context.make_tuple(builder, sig.return_type, (one, power))

    return types.Tuple((x, Lanes(types.int32)))(x), lower


@overload(split, strict=False)
def _split(x: Any) -> Any:
    if isinstance(x, Lanes):
        return lambda x: _parts(x)

    def plain(x):  # type: ignore[no-untyped-def]
        fraction, exponent = math.frexp(x)
        return 2.0 * fraction, exponent - 1

    return plain


@intrinsic
def _root(typingctx: Any, x: Any) -> Any:
    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        name = f"llvm.sqrt.v{WIDTH}f{32 if sig.args[0].dtype is types.float32 else 64}"
        kind = ir.FunctionType(args[0].type, [args[0].type])
        return builder.call(cgutils.get_or_insert_function(builder.module, kind, name), args)

    return x(x), lower


@overload(math.sqrt, strict=False)
def _sqrt(x: Any) -> Any:
    if isinstance(x, Lanes):
        return lambda x: _root(x)
    return None
