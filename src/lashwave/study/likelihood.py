"""A trial's likelihood of a few parameters, kept as what was computed, and the sum over trials.

A likelihood that costs seconds a point is computed on a cross: along each axis through a centre.
In between and off the axes it is the quadratic form of its information matrix, corrected along each
axis to go through what was computed. The form is exact on the axes' points and, for a likelihood
whose third derivatives mix no axes, everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Cross:
    """-2 log likelihood on a cross, less its value at the centre.

    Raises ValueError where an axis has fewer than two points or the shapes do not agree.
    """

    names: tuple[str, ...]
    centre: Array
    """(P,)"""
    information: Array
    """(P, P): -2 log likelihood falls off like shift' information shift."""
    shift: tuple[Array, ...]
    """(M,) along each axis, increasing, without 0."""
    value: tuple[Array, ...]
    """(M,) at those shifts."""

    def __post_init__(self) -> None:
        count = len(self.names)
        if self.centre.shape != (count,) or self.information.shape != (count, count):
            raise ValueError("centre and information do not fit the names")
        for shift, value in zip(self.shift, self.value, strict=True):
            if shift.size < 2 or shift.shape != value.shape or np.any(np.diff(shift) <= 0):
                raise ValueError("an axis needs two points or more, in order")

    def _bend(self, axis: int, at: float) -> tuple[float, float, float]:
        """What the computed points say beyond the quadratic form: value, slope, second derivative.

        A polynomial through the points and 0; straight on beyond the outermost, so that no curve
        turns back where nothing was computed.
        """
        known = np.concatenate([[0.0], self.shift[axis]])
        own = self.information[axis, axis] * known**2
        rest = np.concatenate([[0.0], self.value[axis]]) - own
        scale = float(np.abs(known).max())
        powers = np.vander(known / scale, increasing=True)
        fitted = np.polynomial.Polynomial(np.linalg.solve(powers, rest))
        inside = float(np.clip(at, known.min(), known.max()))
        slope = float(fitted.deriv()(inside / scale)) / scale
        second = float(fitted.deriv(2)(inside / scale)) / scale**2 if inside == at else 0.0
        return float(fitted(inside / scale)) + slope * (at - inside), slope, second

    def expand(self, parameters: Array) -> tuple[float, Array, Array]:
        """-2 log likelihood at (P,) less the centre's, its gradient and second derivatives."""
        shift = parameters - self.centre
        pull = self.information @ shift
        value, gradient, second = float(shift @ pull), 2.0 * pull, 2.0 * self.information
        for axis in range(len(self.names)):
            bend = self._bend(axis, float(shift[axis]))
            value += bend[0]
            gradient[axis] += bend[1]
            second[axis, axis] += bend[2]
        return value, gradient, second


def together(crosses: tuple[Cross, ...], parameters: Array) -> tuple[float, Array, Array]:
    """The sum over independent trials, expanded as one."""
    count = parameters.size
    value, gradient, second = 0.0, np.zeros(count), np.zeros((count, count))
    for cross in crosses:
        one = cross.expand(parameters)
        value, gradient, second = value + one[0], gradient + one[1], second + one[2]
    return value, gradient, second
