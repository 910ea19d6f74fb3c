"""The one decorator of compiled kernels: numba's, with the types of what it compiles kept."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba as nb

Kernel = TypeVar("Kernel", bound=Callable[..., Any])


def compiled(**options: Any) -> Callable[[Kernel], Kernel]:
    """Compile a function when it is first called, and keep what was compiled on disk.

    options : of `numba.njit`, as `error_model="numpy"` (no test before each division).
    """
    compile_: Callable[[Kernel], Kernel] = nb.njit(cache=True, **options)
    return compile_
