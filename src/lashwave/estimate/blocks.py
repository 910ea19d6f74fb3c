"""Banded matrices by the blocks of their times: factored and solved in place, at BLAS's full speed.

LAPACK's own banded factor works in steps of 32 columns and takes one right-hand side at a time
through the whole band. A block of LAPACK's lower storage, band[i - j, j], is a plain Fortran matrix
whose columns lie one less than the band's height apart, so BLAS can work on it where it stands;
`np.dot` in a kernel would copy it first. BLAS is SciPy's own. Its addresses are handed to a kernel
as numbers, because a kernel that holds an address itself cannot be kept on disk.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba.core import types
from numba.core.cgutils import alloca_once_value
from numba.extending import get_cython_function_address, intrinsic

from lashwave.mechanics import compiled
from lashwave.quantities import Array, Whole

BLAS = np.array(
    [
        get_cython_function_address(f"scipy.linalg.cython_{library}", name)
        for library, name in (
            ("blas", "dgemm"), ("blas", "dsyrk"), ("blas", "dtrsm"), ("lapack", "dpotrf"),
        )
    ],
    dtype=np.int64,
)  # fmt: skip
"""Addresses for `call`: of dgemm, dsyrk, dtrsm, dpotrf."""
L, N, R, T = (ord(letter) for letter in "LNRT")


def _fortran_call(_typing: Any, address: Any, arguments: Any) -> Any:
    """Call the Fortran routine at an address with a tuple of arguments, all by reference.

    An integer becomes a C int (a letter is given by its code), a float a double; an array stands
    for its first element, in place.
    """

    def generate(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        byte = ir.IntType(8).as_pointer()
        pointers = []
        for i, kind in enumerate(signature.args[1].types):
            value = builder.extract_value(given[1], i)
            if isinstance(kind, types.Array):
                slot = context.make_array(kind)(context, builder, value).data
            else:
                if isinstance(kind, types.Integer):
                    value = context.cast(builder, value, kind, types.int32)
                slot = alloca_once_value(builder, value)
            pointers.append(builder.bitcast(slot, byte))
        routine = ir.FunctionType(ir.VoidType(), [byte] * len(pointers)).as_pointer()
        builder.call(builder.inttoptr(given[0], routine), pointers)
        return context.get_dummy_value()

    return types.void(address, arguments), generate


call: Any = intrinsic(_fortran_call)
"""See `_fortran_call`; for kernels."""


def memory_of(band: Array) -> Array:
    """The numbers of a band (D, K n), no unit, in Fortran order as they lie in memory, a view."""
    return band.T.reshape(-1)


@compiled()
def _factor(memory: Array, deep: int, n: int, begin: int, end: int, blas: Whole) -> int:
    """Cholesky factor of columns begin ... end - 1 in place, all before being factored; 0, or the
    number (from 1) of the first that fails. What follows is left as their Schur complement."""
    apart, size = deep - 1, memory.size // deep
    info = np.zeros(1, dtype=np.int32)
    for first in range(begin, end, n):
        at = first * deep
        own = memory[at:]
        call(blas[3], (L, n, own, apart, info))
        if info[0] != 0:
            return first + info[0]
        below = min(deep - n, size - first - n)
        if below > 0:
            lower, rest = memory[at + n :], memory[at + n * deep :]
            call(blas[2], (R, L, T, N, below, n, 1.0, own, apart, lower, apart))
            call(blas[1], (L, N, below, n, -1.0, lower, apart, 1.0, rest, apart))
    return 0


def dense(band: Array, row: int, column: int, shape: tuple[int, int]) -> Array:
    """A block of a lower band from (row, column) on, no unit, a view of what is at band[i - j, j].

    What lies above the diagonal in it has no meaning.
    """
    down, right = band.strides
    corner = band[row - column :, column:]
    return np.lib.stride_tricks.as_strided(corner, shape, (down, right - down), writeable=False)


def factor_in_place(band: Array, n: int, columns: int | None = None, begin: int = 0) -> int:
    """Lower Cholesky factor of a band (D, K n), no unit, LAPACK's lower storage, Fortran order.

    n : columns of one time; D >= 2 n. columns : how many are eliminated, all where None; those
    after them are left as what the eliminated ones say of them (their Schur complement).
    begin : how many of them have been eliminated before.

    Returns 0, or the number (from 1) of the first column at which it is not positive definite.
    """
    given = band.shape[1] if columns is None else columns
    return int(_factor(memory_of(band), band.shape[0], n, begin, given, BLAS))


@compiled()
def _forward(
    memory: Array, deep: int, n: int, begin: int, end: int, right: Array, blas: Whole
) -> None:
    """right (C, K n) becomes its solution by the lower factor's columns begin ... end - 1; a row is
    one right-hand side."""
    count, size = right.shape
    for first in range(begin, end, n):
        own, at = right.reshape(-1)[first:], first * deep
        call(blas[2], (L, L, N, N, n, count, 1.0, memory[at:], deep - 1, own, size))
        below = min(deep - n, size - first - n)
        if below > 0:
            call(
                blas[0],
                (N, N, below, count, n, -1.0, memory[at + n :], deep - 1, own, size, 1.0,
                 right.reshape(-1)[first + n :], size),
            )  # fmt: skip


@compiled()
def _backward(memory: Array, deep: int, n: int, columns: int, right: Array, blas: Whole) -> None:
    """The same by the factor's transpose; after the first columns stands what is solved already."""
    count, size = right.shape
    for first in range(columns - n, -1, -n):
        own, at = right.reshape(-1)[first:], first * deep
        below = min(deep - n, size - first - n)
        if below > 0:
            call(
                blas[0],
                (T, N, n, count, below, -1.0, memory[at + n :], deep - 1,
                 right.reshape(-1)[first + n :], size, 1.0, own, size),
            )  # fmt: skip
        call(blas[2], (L, L, T, N, n, count, 1.0, memory[at:], deep - 1, own, size))


def forward(factor: Array, right: Array, n: int, columns: int | None = None) -> Array:
    """L^-1 of right-hand sides (K n, C), by a factor (D, K n) of n unknowns a time; no unit.

    columns : of those that were eliminated, all where None; what follows them is left as what they
    carry on to it.
    """
    out = np.array(right.T, order="C")
    given = out.shape[1] if columns is None else columns
    forward_in_place(factor, out, n, 0, given)
    return out.T


def forward_in_place(factor: Array, right: Array, n: int, begin: int, end: int) -> None:
    """The same, no unit of its own, of right-hand sides (C, K n), a row each, which become it.

    By the factor's columns begin ... end - 1, all before having been gone through."""
    _forward(memory_of(factor), factor.shape[0], n, begin, end, right, BLAS)


def backward(factor: Array, right: Array, n: int, columns: int | None = None) -> Array:
    """L^-T of right-hand sides (K n, C), by the same factor; no unit of its own.

    columns : of those that were eliminated, all where None; what follows them is given solved.
    """
    out = np.array(right.T, order="C")
    given = out.shape[1] if columns is None else columns
    _backward(memory_of(factor), factor.shape[0], n, given, out, BLAS)
    return out.T
