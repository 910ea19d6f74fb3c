"""The equations of a wand calibration: dots in the cameras, lengths, known points, known lenses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.calibrate import pinhole
from lashwave.calibrate.bundle import Evaluate, Prior
from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.quantities import Array, Calibration


@dataclass(frozen=True)
class Wand:
    """Dots on a stick."""

    places: Array
    """(D,) along the stick [m], rising; 2 or 3 of them."""
    length_sd: float = 0.0
    """Of the whole length [m]; all distances share it in proportion."""

    @property
    def length(self) -> float:
        """From the first dot to the last [m]."""
        return float(self.places[-1] - self.places[0])

    @property
    def pairs(self) -> list[tuple[int, int, float]]:
        """Which dots, and how far apart [m]."""
        count = len(self.places)
        return [
            (a, b, float(self.places[b] - self.places[a]))
            for a in range(count)
            for b in range(a + 1, count)
        ]


@dataclass(frozen=True)
class KnownPoints:
    """Points whose place in the lab is known."""

    points: Array
    """(K, 3) [m]"""
    sd: float
    """Of one coordinate [m]."""
    uv: Array
    """(C, K, 2) [px], nan where unseen."""


@dataclass(frozen=True)
class SharedParameters:
    """Which parameters of which camera are free, and where they stand among the shared ones."""

    free: NDArray[np.bool_]
    """(C, 15)"""
    lenses: tuple[pinhole.KnownLens, ...]
    stretch_sd: float
    """Of the wand's length over that stated; 0 fixes it."""

    @classmethod
    def of(cls, lenses: Sequence[Calibration], wand: Wand, posed: bool) -> SharedParameters:
        """`posed`: whether known points fix the frame; else the first camera's pose is fixed."""
        known = tuple(pinhole.known_lens(lens) for lens in lenses)
        free = np.array([np.append(k.free, np.ones(6, dtype=bool)) for k in known])
        if not posed:
            free[0, 9:] = False
        return cls(free, known, wand.length_sd / wand.length)

    @property
    def size(self) -> int:
        """Shared parameters."""
        return int(self.free.sum()) + (self.stretch_sd > 0.0)

    def place(self, camera: int) -> NDArray[np.int64]:
        """(k,) where a camera's free parameters stand among the shared ones [1]."""
        first = int(self.free[:camera].sum())
        return np.arange(first, first + int(self.free[camera].sum()))

    def names(self, camera: int) -> tuple[str, ...]:
        """Of a camera's free parameters."""
        return tuple(n for n, f in zip(pinhole.NAMES, self.free[camera], strict=True) if f)

    def pack(self, full: Array, stretch: float) -> Array:
        """Shared parameters (S,) [1] from all of the cameras' (C, 15) and the wand's stretch."""
        return np.append(full[self.free], [stretch] if self.stretch_sd > 0.0 else [])

    def unpack(self, shared: Array, full: Array) -> tuple[Array, float]:
        """All parameters (C, 15) and the stretch [1] from shared (S,); fixed ones from `full`."""
        fresh = full.copy()
        count = int(self.free.sum())
        fresh[self.free] = shared[:count]
        return fresh, float(shared[-1]) if self.stretch_sd > 0.0 else 1.0

    def prior(self, full: Array) -> Prior:
        """What is known of the lenses (C, 15) and of the wand's length, as unit residuals [1]."""

        def evaluate(shared: Array) -> tuple[Array, Array]:
            fresh, stretch = self.unpack(shared, full)
            rest, slopes = [np.empty(0)], [np.empty((0, self.size))]
            for c, lens in enumerate(self.lenses):
                rest.append(lens.residuals(fresh[c, :9]))
                slope = np.zeros((len(lens.whiten), self.size))
                slope[:, self.place(c)[: int(lens.free.sum())]] = lens.whiten[:, lens.free]
                slopes.append(slope)
            if self.stretch_sd > 0.0:
                rest.append(np.array([(stretch - 1.0) / self.stretch_sd]))
                slope = np.zeros((1, self.size))
                slope[0, -1] = 1.0 / self.stretch_sd
                slopes.append(slope)
            return np.concatenate(rest), np.concatenate(slopes)

        return evaluate


def masked(values: Array) -> Array:
    """Values of any shape and unit [1], with what is missing at infinity."""
    return np.where(np.isfinite(values), values, np.inf)


@dataclass(frozen=True)
class WandEquations:
    """What was seen, and which of it is used."""

    uv: Array
    """(C, F, D, 2) [px]"""
    wand: Wand
    known: KnownPoints | None
    scale: float
    """Sd of one image coordinate [px]."""
    used: NDArray[np.bool_]
    """(C, F, D)"""
    soft: bool = False
    """Let large residuals count less (while the start may have outliers)."""
    settings: CalibrateSettings = CALIBRATE

    @property
    def active(self) -> NDArray[np.bool_]:
        """(F,) frames of which all dots are used; no unit."""
        return np.asarray(np.all(np.any(self.used, axis=0), axis=1))

    def same_as(self, other: WandEquations) -> bool:
        """Whether the same is used, at the same scale to 1 %."""
        alike = self.used.shape == other.used.shape and bool((self.used == other.used).all())
        return alike and abs(self.scale - other.scale) <= 0.01 * other.scale

    def unknowns(self) -> int:
        """Coordinates of all dots that are used, and of the known points."""
        dots = 3 * int(self.used.any(axis=0).sum())
        return dots + (0 if self.known is None else 3 * len(self.known.points))

    def equations(self, layout: SharedParameters) -> int:
        """Residuals of all kinds."""
        frames = int(self.active.sum())
        count = 2 * int(self.used.sum()) + frames * len(self.wand.pairs)
        count += sum(len(lens.whiten) for lens in layout.lenses) + (layout.stretch_sd > 0.0)
        if self.known is not None:
            count += 2 * int(np.isfinite(self.known.uv).all(axis=-1).sum())
            count += 3 * len(self.known.points)
        return count

    def residuals(self, full: Array, spots: Array) -> Array:
        """(C, F, D, 2) seen less predicted [px]; nan where unseen."""
        flat = spots.reshape(-1, 3)
        return np.stack(
            [
                self.uv[c] - pinhole.project_points(x, flat)[0].reshape(self.uv.shape[1:])
                for c, x in enumerate(full)
            ]
        )

    def wand_rows(self, layout: SharedParameters, full: Array) -> Evaluate:
        """Equations of each frame, unit residuals [1]: dots in the cameras, distances on the wand.

        full : (C, 15) from which fixed parameters are taken.
        """
        _, frames, dots = self.uv.shape[:3]
        rigid = self.settings.wand_rigid
        pairs = self.wand.pairs
        active = self.active

        def evaluate(shared: Array, own: Array) -> tuple[Array, Array, Array]:
            fresh, stretch = layout.unpack(shared, full)
            spots = own.reshape(frames, dots, 3)
            seen = _image_rows(
                layout,
                fresh,
                spots,
                self.uv,
                self.used,
                self.scale,
                self.settings.wand_soft if self.soft else None,
            )
            rest = np.zeros((frames, len(pairs)))
            by_shared = np.zeros((frames, len(pairs), layout.size))
            by_own = np.zeros((frames, len(pairs), dots, 3))
            for i, (a, b, length) in enumerate(pairs):
                apart = spots[:, b] - spots[:, a]
                distance = np.linalg.norm(apart, axis=1)
                along = apart / distance[:, None] / rigid
                rest[:, i] = (distance - stretch * length) / rigid
                by_own[:, i, b], by_own[:, i, a] = along, -along
                if layout.stretch_sd > 0.0:
                    by_shared[:, i, -1] = -length / rigid
            rest[~active], by_shared[~active], by_own[~active] = 0.0, 0.0, 0.0
            return (
                np.concatenate([seen[0], rest], axis=1),
                np.concatenate([seen[1], by_shared], axis=1),
                np.concatenate([seen[2], by_own.reshape(frames, len(pairs), -1)], axis=1),
            )

        return evaluate

    def known_rows(self, layout: SharedParameters, full: Array) -> Evaluate:
        """Equations of each known point, unit residuals [1]: where cameras see it, where it lies.

        full : (C, 15) from which fixed parameters are taken.
        """
        known = self.known
        assert known is not None
        seen = np.asarray(np.isfinite(known.uv).all(axis=-1))[:, :, None]
        uv = known.uv[:, :, None]

        def evaluate(shared: Array, own: Array) -> tuple[Array, Array, Array]:
            fresh, _ = layout.unpack(shared, full)
            rows = _image_rows(
                layout,
                fresh,
                own[:, None],
                uv,
                seen,
                self.scale,
                self.settings.wand_soft if self.soft else None,
            )
            count = len(own)
            rest = (own - known.points) / known.sd
            by_own = np.broadcast_to(np.eye(3) / known.sd, (count, 3, 3))
            return (
                np.concatenate([rows[0], rest], axis=1),
                np.concatenate([rows[1], np.zeros((count, 3, layout.size))], axis=1),
                np.concatenate([rows[2], by_own], axis=1),
            )

        return evaluate


def _image_rows(
    layout: SharedParameters,
    full: Array,
    spots: Array,
    uv: Array,
    used: NDArray[np.bool_],
    scale: float,
    soft: float | None,
) -> tuple[Array, Array, Array]:
    """Residuals (G, 2 C D) of dots (G, D, 3) in C cameras, and their derivatives."""
    cameras, groups, dots = used.shape
    rest = np.zeros((groups, cameras, dots, 2))
    by_shared = np.zeros((groups, cameras, dots, 2, layout.size))
    by_own = np.zeros((groups, cameras, dots, 2, dots, 3))
    flat = spots.reshape(-1, 3)
    for c in range(cameras):
        seen, slope = pinhole.project_points(full[c], flat)
        here = used[c]
        off = np.where(here[..., None], seen.reshape(groups, dots, 2) - uv[c], 0.0) / scale
        weight = here / scale
        if soft is not None:
            size = np.linalg.norm(off, axis=-1)
            less = np.sqrt(np.minimum(1.0, soft / np.maximum(size, 1e-300)))
            off, weight = off * less[..., None], weight * less
        rest[:, c] = off
        slope = slope.reshape(groups, dots, 2, 15) * weight[..., None, None]
        by_shared[:, c][..., layout.place(c)] = slope[..., layout.free[c]]
        # A shift of the point is a shift of the camera's origin, in the camera's axes.
        point = slope[..., 12:15] @ pinhole.rotation_matrix(full[c, 9:12])
        for d in range(dots):
            by_own[:, c, d, :, d] = point[:, d]
    size = cameras * dots * 2
    return (
        rest.reshape(groups, size),
        by_shared.reshape(groups, size, layout.size),
        by_own.reshape(groups, size, dots * 3),
    )
