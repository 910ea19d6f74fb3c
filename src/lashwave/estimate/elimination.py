"""The factor of equations that are still being formed: it follows the forming from the front.

Columns of early times can be eliminated as soon as those of the three times after them are formed.
So one thread eliminates what others have formed, and numbers are still at hand when it takes them.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.blocks import factor_in_place, forward_in_place
from lashwave.quantities import Array

AHEAD = 3
"""Times after one that its rows touch."""
Damping = Callable[[eq.Formed, int, int], Array | float]
"""What is added to the diagonal [1/rad2] of times first ... last - 1, (their unknowns,)."""


class Elimination:
    """A `normal.Chase` that eliminates the times, and carries border and gradient along."""

    def __init__(self, damping: Damping, hold_shared: bool = False) -> None:
        self.damping, self.hold_shared = damping, hold_shared
        self.done = 0
        self.sides: tuple[Array, ...] = ()
        """Right-hand sides (C, K n), rows of the border and the gradient: solved as far as done."""

    def __call__(self, formed: eq.Formed, first: int, last: int) -> None:
        """Raises NotDefiniteError with the number of the time from which they hold no motion."""
        n, size = formed.unknowns, formed.band.shape[1]
        if not self.sides:
            shared = 0 if self.hold_shared else formed.border.shape[1]
            self.sides = np.empty((shared, size)), np.empty((1, size))
        own = slice(first * n, last * n)
        formed.band[0, own] += self.damping(formed, first, last)
        self.sides[0][:, own] = formed.border[own, : self.sides[0].shape[0]].T
        self.sides[1][0, own] = formed.gradient[own]
        end = size if last * n == size else max(last - AHEAD, 0) * n
        failed = factor_in_place(formed.band, n, end, self.done)
        if failed:
            raise eq.NotDefiniteError((failed - 1) // n)
        for side in self.sides:
            if side.shape[0]:
                forward_in_place(formed.band, side, n, self.done, end)
        self.done = end

    def factor(self, normal: eq.Normal) -> eq.Factor:
        """Of the equations whose times have all been eliminated; the band is `normal`'s own.

        Raises LinAlgError where it is not definite.
        """
        return eq.bordered(normal, self.sides[0].T)

    @property
    def begun(self) -> Array:
        """(K n,), the factor's inverse applied to the gradient [1]."""
        return self.sides[1][0]
