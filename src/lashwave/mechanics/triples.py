"""Three numbers at once, for kernels that are compiled for one member or for lanes of several."""

from __future__ import annotations

from typing import Any

from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.member_rows import FAST
from lashwave.quantities import Array


@compiled(error_model="numpy", fastmath=FAST)
def three(array: Array, row: int, m: Any) -> Any:
    """Three rows of an array (R, M), any unit."""
    return array[row, m], array[row + 1, m], array[row + 2, m]


@compiled(error_model="numpy", fastmath=FAST)
def put(array: Array, row: int, m: Any, v: Any) -> None:
    """Set three rows of an array (R, M), any unit."""
    array[row, m] = v[0]
    array[row + 1, m] = v[1]
    array[row + 2, m] = v[2]


@compiled(error_model="numpy", fastmath=FAST)
def dot(a: Any, b: Any) -> Any:
    """Inner product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@compiled(error_model="numpy", fastmath=FAST)
def plus(a: Any, by: Any, b: Any) -> Any:
    """Sum of a and `by` times b."""
    return a[0] + by * b[0], a[1] + by * b[1], a[2] + by * b[2]


@compiled(error_model="numpy", fastmath=FAST)
def times(by: Any, a: Any) -> Any:
    """The vector a, `by` times as long."""
    return by * a[0], by * a[1], by * a[2]


@compiled(error_model="numpy", fastmath=FAST)
def minus(a: Any, b: Any) -> Any:
    """Difference of a and b."""
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]
