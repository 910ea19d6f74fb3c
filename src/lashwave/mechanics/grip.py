"""A driven end: its place and direction as smooth functions of time."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from lashwave.quantities import Array


@dataclass(frozen=True)
class Grip:
    """A driven end (the hand, or the held far end), sampled; a cubic spline in between.

    Outside its samples the end goes on by the spline's last cubic: keep within them.
    """

    time: Array
    """(G,) [s], increasing, at least two."""
    position: Array
    """(G, 3) [m], of the end of the line (node 0, or the last node of a held far end)."""
    direction: Array
    """(G, 3), butt to tip along the rigid end, need not be of unit length."""

    @cached_property
    def pieces(self) -> tuple[Array, Array]:
        """Knots (G,) and cubic coefficients (G - 1, 4, 6) of position and direction.

        The knots are in s, the position in m; the direction's length has no unit.
        """
        from scipy.interpolate import CubicSpline

        unit = self.direction / np.linalg.norm(self.direction, axis=-1, keepdims=True)
        values = np.concatenate([self.position, unit], axis=1)
        end = "natural" if self.time.size < 4 else "not-a-knot"
        spline = CubicSpline(self.time, values, bc_type=end)
        return np.ascontiguousarray(spline.x), np.ascontiguousarray(spline.c.transpose(1, 0, 2))

    def at(self, time: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
        """Position, velocity, acceleration (Q, 3) and unit direction, its rate, its second rate."""
        knots, coefficient = self.pieces
        time = np.atleast_1d(np.asarray(time, dtype=float))
        index = np.clip(np.searchsorted(knots, time, side="right") - 1, 0, knots.size - 2)
        x = (time - knots[index])[:, None]
        a, b, c, d = (coefficient[index, i] for i in range(4))
        value, rate, second = (
            ((a * x + b) * x + c) * x + d,
            (3 * a * x + 2 * b) * x + c,
            6 * a * x + 2 * b,
        )
        u, v, w = value[:, 3:], rate[:, 3:], second[:, 3:]
        size = np.linalg.norm(u, axis=1, keepdims=True)
        n = u / size
        along = (n * v).sum(1, keepdims=True)
        nv = (v - along * n) / size
        bend = (nv * v).sum(1, keepdims=True) + (n * w).sum(1, keepdims=True)
        nw = (w - 2 * along * nv - bend * n) / size
        return value[:, :3], rate[:, :3], second[:, :3], n, nv, nw


def fixed(position: Array, direction: Array) -> Grip:
    """An end that never moves.

    position : (3,) [m]. direction : (3,), of any length.
    """
    place, along = np.asarray(position, dtype=float), np.asarray(direction, dtype=float)
    return Grip(np.array([-1e3, 1e3]), np.stack([place, place]), np.stack([along, along]))
