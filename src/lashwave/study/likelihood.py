"""A trial's likelihood of a few scales, kept as what was computed, and the sum over trials.

A likelihood that costs seconds a point is computed on a cross: along each axis through a centre.
Scales are logarithmic, but a force grows with the scale itself, so misfits are near to quadratic in
the ratio x = exp(shift) - 1, and level off where a scale goes to nothing. In between and off the
axes the likelihood is the quadratic form of its information matrix in x, bent along each axis to go
through what was computed: exact on the axes' points and, for a likelihood whose third derivatives
mix no axes, everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from lashwave.quantities import Array


@dataclass(frozen=True)
class Cross:
    """-2 log likelihood on a cross, less its value at the centre.

    Raises ValueError where an axis has fewer than two points or the shapes do not agree.
    """

    names: tuple[str, ...]
    centre: Array
    """(P,)"""
    information: Array
    """(P, P): near the centre -2 log likelihood rises like shift' information shift."""
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

    @cached_property
    def _bends(self) -> tuple[tuple[Array, float, float], ...]:
        """What the points say beyond the quadratic form, along each axis.

        Coefficients of a polynomial in x that goes through them and 0, and the range of x that
        they span.
        """
        found = []
        for axis, (shift, value) in enumerate(zip(self.shift, self.value, strict=True)):
            x = np.expm1(shift)
            rest = value - self.information[axis, axis] * x**2
            size = float(np.abs(x).max())
            powers = np.vander(x / size, x.size + 1, increasing=True)[:, 1:]
            fitted = np.linalg.solve(powers, rest) / size ** np.arange(1, x.size + 1)
            span = min(0.0, float(x[0])), max(0.0, float(x[-1]))
            found.append((np.concatenate([[0.0], fitted]), *span))
        return tuple(found)

    def _bend(self, axis: int, at: float) -> tuple[float, float, float]:
        """The same at x: value, slope, second derivative.

        Straight on beyond the outermost points, so that no curve turns back where nothing was
        computed.
        """
        factors, low, high = self._bends[axis]
        inside = min(max(at, low), high)
        value = slope = second = 0.0
        for factor in factors[::-1]:  # Horner, with both derivatives
            second = second * inside + 2.0 * slope
            slope = slope * inside + value
            value = value * inside + factor
        beyond = at - inside
        return value + slope * beyond, slope, 0.0 if beyond else second

    def _of_ratio(self, x: Array) -> tuple[float, Array, Array]:
        """-2 log likelihood at ratios less 1, its gradient and second derivatives by them."""
        pull = self.information @ x
        value, gradient, second = float(x @ pull), 2.0 * pull, 2.0 * self.information
        for axis in range(len(self.names)):
            bend = self._bend(axis, float(x[axis]))
            value += bend[0]
            gradient[axis] += bend[1]
            second[axis, axis] += bend[2]
        return value, gradient, second

    def expand(self, scales: Array) -> tuple[float, Array, Array]:
        """-2 log likelihood at (P,) less the centre's, its gradient and second derivatives.

        All three have no unit: scales are ratios.
        """
        ratio = np.exp(scales - self.centre)
        value, gradient, second = self._of_ratio(ratio - 1.0)
        gradient = gradient * ratio
        return value, gradient, second * np.outer(ratio, ratio) + np.diag(gradient)

    def information_at(self, scales: Array) -> Array:
        """(P, P) [1] at (P,): what the sightings would say of the scales if those were the best."""
        ratio = np.exp(scales - self.centre)
        return np.asarray(0.5 * self._of_ratio(ratio - 1.0)[2] * np.outer(ratio, ratio))


def together(crosses: tuple[Cross, ...], scales: Array) -> tuple[float, Array, Array]:
    """The sum over independent trials, expanded as one.

    scales : (P,), no unit; as `Cross.expand`.
    """
    count = scales.size
    value, gradient, second = 0.0, np.zeros(count), np.zeros((count, count))
    for cross in crosses:
        one = cross.expand(scales)
        value, gradient, second = value + one[0], gradient + one[1], second + one[2]
    return value, gradient, second
