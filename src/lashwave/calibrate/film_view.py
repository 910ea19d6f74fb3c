"""A view of a film that is calibrated by itself: a part of the pictures, or one in a mirror.

A camera that looks into a mirror sees what one behind the mirror would see, left and right
exchanged. So its pictures are turned over, an ordinary camera is found in them, and what was found
is turned back: exact, lens and covariance too, as a lens has the same law on both sides.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lashwave.calibrate.projection import PARALLEL, PERSPECTIVE
from lashwave.quantities import Array, Calibration, Window


@dataclass(frozen=True)
class FilmView:
    """The view, and how its own pixels stand in the film's."""

    film: tuple[int, int]
    """Width, height of the film's pictures [px]."""
    window: Window
    mirrored: bool = False

    @classmethod
    def of(cls, film: tuple[int, int], window: Window | None, mirrored: bool) -> FilmView:
        """The view by a window [px] of a film of that size [px]; by None all of it."""
        return cls(film, window or Window(0, 0, *film), mirrored)

    @property
    def own_to_film(self) -> Array:
        """(3, 3) from pixels [px] of the view, turned over if mirrored, to the film's."""
        turn = np.eye(3)
        turn[:2, 2] = self.window.corner
        if self.mirrored:
            turn[0, 0] = -1.0
            turn[0, 2] += self.window.width - 1.0
        return turn

    def inward(self, uv: Array) -> Array:
        """Own pixels (n, 2) of those of the film (n, 2) [px]."""
        turn = self.own_to_film
        return np.asarray((uv - turn[:2, 2]) * np.diag(turn)[:2])

    def lens_inward(self, lens: Calibration) -> Calibration:
        """A calibration of the film's lens as the view's own pixels have it; the lens alone."""
        moved = self._moved(lens, np.asarray(np.linalg.inv(self.own_to_film)))
        return replace(moved, size=self.window.size, mirrored=False)

    def outward(self, found: Calibration) -> Calibration:
        """What was found in the view's own pixels as the film's pixels have it."""
        moved = self._moved(found, self.own_to_film)
        return replace(moved, size=self.film, mirrored=self.mirrored)

    def parameters_outward(self, names: tuple[str, ...]) -> Array:
        """(P, P) derivative of parameters in the film's pixels by those in the view's own, each
        in its unit, [px], [rad], [m] or [1]."""
        return _of_parameters(names, self.own_to_film)

    def _moved(self, c: Calibration, turn: Array) -> Calibration:
        projection, inner, bend = turn @ c.projection, c.intrinsics, c.distortion
        if inner is not None:
            inner = turn @ inner @ np.diag([turn[0, 0], 1.0, 1.0])
        if bend is not None and len(bend) == 5:
            bend = bend * np.array([1.0, 1.0, 1.0, turn[0, 0], 1.0])
        spread = _of_parameters(c.parameters, turn)
        return replace(
            c,
            projection=projection,
            intrinsics=inner,
            distortion=bend,
            covariance=spread @ c.covariance @ spread.T,
        )


def _of_parameters(names: tuple[str, ...], turn: Array) -> Array:
    """(P, P) derivative of the parameters after the pixels were moved by those before."""
    if names == PERSPECTIVE:
        return np.asarray(np.kron(turn, np.eye(4)))
    if names == PARALLEL:
        return np.asarray(np.kron(turn[:2, :2], np.eye(4)))
    return np.diag([turn[0, 0] if name in ("cx", "p2") else 1.0 for name in names])
