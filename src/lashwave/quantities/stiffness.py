"""What is known of a line's bending stiffness before it is seen to move."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from lashwave.quantities.arrays import Array

SLOPE = "stiffness_slope"
"""Shared parameter of a line whose table states no stiffness: the exponent by which it goes with
the diameter, over what was taken."""


class Source(Enum):
    """How a bending stiffness is known."""

    COLUMN = "column"
    """The line's table states it."""
    DROOP = "droop"
    """Static tests of some pieces, carried along the line."""
    GUESS = "guess"
    """Nothing was measured: a range from diameter and linear density."""


@dataclass(frozen=True)
class Stiffness:
    """Bending stiffness along a line, and how well it is known."""

    value: Array
    """(R,) [N m2] at the rows of the line's table, the most likely."""
    source: Source
    log_sd: float
    """Standard deviation of the logarithm of one factor on the whole of `value`."""
    along: Array
    """(R,) how far a row's diameter is from where `value` is known best, logarithmic; zeros where
    how stiffness goes along the line is no question."""
    slope_sd: float
    """Standard deviation of the exponent by which `value` may go wrong with the diameter,
    independent of the factor."""
    tests: int = 0
    """Droop tests that it was made from."""

    @property
    def guessed(self) -> bool:
        """Whether nothing was measured, so that the motion has to tell it."""
        return self.source is Source.GUESS

    @property
    def sloped(self) -> bool:
        """Whether how it goes along the line is a question of its own."""
        return bool(self.slope_sd * np.ptp(self.along) > 0)

    def outer(self, station: Array) -> float:
        """Mean of `along` (S,) [N m2] over the outer half, which decides how the line folds."""
        return float(self.along[station >= 0.5 * station[-1]].mean())

    @property
    def words(self) -> str:
        """Where it comes from, for people; reads on after "bending stiffness ..."."""
        if self.source is Source.COLUMN:
            return "as the line's table states it"
        if self.source is Source.DROOP:
            count = "1 droop test" if self.tests == 1 else f"{self.tests} droop tests"
            return f"from {count}, carried along by diameter and linear density"
        factor = np.exp(1.959964 * self.log_sd)
        return (
            "guessed from diameter and linear density, good to a factor of "
            f"{factor:.2g} either way (95 %)"
        )
