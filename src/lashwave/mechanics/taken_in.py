"""How a kernel takes in the kernels that it calls: as they were lowered, with no code of their own.

By itself numba optimises each kernel and writes machine code and wrappers for it, and does so again
for all that it calls within each caller. Most kernels are only ever called by kernels. So machine
code is written for what Python calls, and its parts are optimised once, together with it. Classes
derived from numba's do this, its library of code and its last pass; they replace inner methods, so
`pyproject.toml` holds numba to the versions that this was written for.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numba as nb
from llvmlite.binding import Linkage
from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import CompilerBase, DefaultPassBuilder
from numba.core.compiler_machinery import register_pass
from numba.core.environment import lookup_environment
from numba.core.registry import cpu_target
from numba.core.typed_passes import NativeLowering
from numba.extending import is_jitted, overload
from numba.np import arrayobj

from lashwave.mechanics import counted


def kernel_of(function: Callable[..., Any], **options: Any) -> Any:
    """A kernel that numba keeps on disk; what it calls is taken in as it was lowered.

    While it runs, Python's other threads run too.

    options : of `numba.njit`.
    """
    told = {"no_cfunc_wrapper": True, "nogil": True, **options}
    jit: Any = nb.njit  # whose types do not know these options
    made = jit(cache=True, pipeline_class=_CompilerOfOutermost, **told)(function)
    if not is_jitted(made):  # where NUMBA_DISABLE_JIT leaves functions as they are
        return made
    kernel: Any = made
    part = jit(no_cpython_wrapper=True, **told)(function)
    # What kernels ask of a kernel that they call.
    kernel.get_call_template, kernel.get_overload = part.get_call_template, part.get_overload
    return kernel


class _NoPlace:
    """A code generator without a place for a function's environment, as there is no code yet."""

    def __init__(self, codegen: Any) -> None:
        self._codegen = codegen

    def __getattr__(self, name: str) -> Any:
        return getattr(self._codegen, name)

    def set_env(self, env_name: str, env: Any) -> None:
        """Left to the code that takes the function in."""


class _Lowered(JITCodeLibrary):  # type: ignore[misc]
    """What was lowered, with all that it calls: not optimised, and no code."""

    @property
    def codegen(self) -> Any:
        return _NoPlace(self._codegen)

    def _optimize_functions(self, ll_module: Any) -> None:
        ll_module.data_layout = self._codegen._data_layout

    def finalize(self) -> None:
        self._raise_if_finalized()
        for library in dict.fromkeys(self._linking_libraries):
            self._reload_init.update(library._reload_init)
            self._final_module.link_in(library._get_module_for_linking(), preserve=True)
        self._finalize_dynamic_globals()
        self._finalized = True

    def _get_module_for_linking(self) -> Any:
        """Its functions may stand in many callers; there is no code to copy them away from."""
        if self._shared_module is None:
            self._ensure_finalized()
            self._shared_module = self._final_module
            for function in self._shared_module.functions:
                if not function.is_declaration and function.linkage == Linkage.external:
                    function.linkage = "linkonce_odr"
        return self._shared_module

    def get_pointer_to_function(self, name: str) -> int:
        self._ensure_finalized()
        return 0


class _Coded(JITCodeLibrary):  # type: ignore[misc]
    """What machine code is written for."""

    def _optimize_final_module(self) -> None:
        """All parts into one and what cancels of counts taken out; then with counts of its own."""
        passes, builder = self._codegen._module_pass_manager(
            loop_vectorize=self._codegen._loopvect, slp_vectorize=False,
            opt=self._codegen._opt_level, cost="cheap",
        )  # fmt: skip
        passes.run(self._final_module, builder)
        counted.put_in(self._final_module)
        passes, builder = self._codegen._module_pass_manager()
        passes.run(self._final_module, builder)


@register_pass(mutates_CFG=True, analysis_only=False)
class _Outermost(NativeLowering):  # type: ignore[misc]
    """The last pass over a kernel that Python calls: the one that writes machine code."""

    _name = "lowering_of_outermost"

    def run_pass(self, state: Any) -> bool:
        codegen = state.targetctx.codegen()
        state.library = _Coded(codegen, state.func_id.func_qualname)
        state.library.enable_object_caching()
        done = super().run_pass(state)
        for variable in state.library._final_module.global_variables:
            environment = lookup_environment(variable.name)
            if environment is not None:
                codegen.set_env(variable.name, environment)
        return bool(done)


class _CompilerOfOutermost(CompilerBase):  # type: ignore[misc]
    def define_pipelines(self) -> list[Any]:
        passes = DefaultPassBuilder.define_nopython_pipeline(self.state)
        passes.passes = [
            (_Outermost if one is NativeLowering else one, said) for one, said in passes.passes
        ]
        passes.finalize()
        return [passes]

    def compile_extra(self, func: Callable[..., Any]) -> Any:
        with _only_lowered():  # numba lets one thread compile at a time
            return super().compile_extra(func)


def _differ(source: Any, target: Any) -> None:
    """Say that an array does not fit where it is put; in kernels alone."""


@overload(_differ)  # type: ignore[untyped-decorator]
def _raise_differ(source: Any, target: Any) -> Any:
    def raised(source: Any, target: Any) -> None:
        raise ValueError("cannot assign slice from input of different size")

    return raised


@contextmanager
def _only_lowered() -> Iterator[None]:
    """While this lasts, what is compiled on the way is only lowered.

    Numba puts both shapes into the words of an error where a slice is assigned: 30 functions of
    text for each number of dimensions. Objects wait to be collected: compiling makes millions.
    """
    codegen = type(cpu_target.target_context.codegen())
    usual, words = codegen._library_class, arrayobj.raise_with_shape_context
    collecting = gc.isenabled()
    codegen._library_class, arrayobj.raise_with_shape_context = _Lowered, _differ
    gc.disable()
    try:
        yield
    finally:
        codegen._library_class, arrayobj.raise_with_shape_context = usual, words
        if collecting:
            gc.enable()
