"""Sound against motion: predicted arrivals, and the place of birth from several microphones.

Air at rest and of one temperature: a wind w shifts an arrival over R by about w R / c^2, 9 us a
metre at 1 m/s. The wave runs at the speed of sound; a crack of 1 kPa at the microphone ran up to
0.4 % faster (Rankine and Hugoniot), 12 us over a metre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import least_squares

from lashwave.quantities import Array

UNKNOWN = 4
"""Place and time."""
USELESS = 3.0
"""[m]; a place known worse than this along some direction is not determined."""
ALIKE = 9.0
"""Second places whose sum of squares is within this of the best are named."""


@dataclass(frozen=True)
class Arrival:
    """An onset against what the motion predicts."""

    predicted: float
    """[s], lab clock"""
    predicted_sd: float
    difference: float
    """Onset minus prediction [s]."""
    sd: float
    """[s], of the difference"""


def arrival(
    onset: float,
    onset_sd: float,
    microphone: ArrayLike,
    time: ArrayLike,
    place: ArrayLike,
    sound: float,
    sound_sd: float,
) -> Arrival | None:
    """An onset against t_sonic + R / c; None where under half of the draws have a sonic moment.

    Parameters
    ----------
    onset, onset_sd : [s], lab clock, the clock's own uncertainty included.
    microphone : (3,) [m]; time : (D,) [s] and place : (D, 3) [m], of the sonic station in each
        draw of the motion, nan where a draw has none.
    """
    when, where = np.asarray(time, dtype=float), np.asarray(place, dtype=float)
    has = np.isfinite(when) & np.isfinite(where).all(axis=1)
    if has.mean() < 0.5:
        return None
    distance = np.linalg.norm(where[has] - np.asarray(microphone, dtype=float), axis=1)
    each = when[has] + distance / sound
    middle = float(np.median(each))
    own = float(each.std(ddof=1)) if each.size > 1 else 0.0
    predicted_sd = float(np.hypot(own, np.median(distance) * sound_sd / sound**2))
    return Arrival(middle, predicted_sd, onset - middle, float(np.hypot(predicted_sd, onset_sd)))


@dataclass(frozen=True)
class SoundPlace:
    """Where and when a sound was born."""

    place: Array
    """(3,) [m]; nan where it is not determined"""
    time: float
    """[s]"""
    covariance: Array
    """(4, 4), place and time"""
    misfit: float
    """Root mean square of the onsets' residuals in sd; nan without spare microphones."""
    others: Array
    """(A, 3) [m], further places that fit as well"""
    reason: str | None = None
    """Why the place is not determined, or what is to be minded."""


def place_of_sound(
    microphones: ArrayLike, onsets: ArrayLike, sd: ArrayLike, sound: float, sound_sd: float
) -> SoundPlace:
    """Place and time of birth from arrivals at several microphones, by least squares.

    Parameters
    ----------
    microphones : (M, 3) [m]; onsets : (M,) [s].
    sd : (M,) [s], or their covariance (M, M) [s2]: what a recorder's clock is off by is common to
        its microphones.

    Notes
    -----
    Four microphones leave four unknowns without a check, and often two places; four in one plane
    cannot tell the two sides of it apart. Fewer than four leave the place undetermined.
    """
    where = np.asarray(microphones, dtype=float).reshape(-1, 3)
    when, error = np.asarray(onsets, dtype=float), np.asarray(sd, dtype=float)
    whiten = np.linalg.inv(np.linalg.cholesky(error if error.ndim == 2 else np.diag(error**2)))
    if where.shape[0] < UNKNOWN:
        return _undetermined(
            f"{where.shape[0]} microphones leave the place undetermined: four or more are needed "
            "for place and time"
        )
    middle, zero = where.mean(axis=0), float(when.min())
    size = max(float(np.linalg.norm(where - middle, axis=1).max()), 1e-3)

    def away(x: Array) -> Array:
        distance = np.linalg.norm(x[:3] - where, axis=1)
        late = whiten @ (zero + x[3] / sound + distance / x[4] - when)
        return np.append(late, (x[4] - sound) / max(sound_sd, 1e-6))

    found: list[tuple[float, Array, Array]] = []
    for direction in _directions():
        start = np.array([*(middle + 2.0 * size * direction), -2.0 * size, sound])
        answer = least_squares(away, start, x_scale=[size, size, size, size, max(sound_sd, 0.1)])
        if np.isfinite(answer.x).all():
            found.append((float(2 * answer.cost), answer.x, answer.jac))
    found.sort(key=lambda f: f[0])
    cost, best, slope = found[0]
    # A direction that no onset feels gets a variance that says so.
    value, vector = np.linalg.eigh(slope.T @ slope)
    full = (vector / np.maximum(value, 1e-18 * value[-1])) @ vector.T
    scale = np.array([1.0, 1.0, 1.0, 1.0 / sound])
    covariance = full[:4, :4] * scale[:, None] * scale
    worst = float(np.sqrt(np.linalg.eigvalsh(covariance[:3, :3])[-1]))
    if worst > USELESS:
        return _undetermined(
            f"the onsets leave the place open to {worst:.3g} m along one direction: the "
            "microphones stand too close together, or in line with it"
        )
    spare = where.shape[0] - UNKNOWN
    misfit = float(np.sqrt(cost / spare)) if spare else np.nan
    others = _others(found, max(0.02 * size, 3 * worst))
    reason = f"{len(others)} more places fit as well" if len(others) else None
    return SoundPlace(best[:3], zero + best[3] / sound, covariance, misfit, others, reason)


def _directions() -> Array:
    """(14, 3) unit: the faces and corners of a cube."""
    faces = np.concatenate([np.eye(3), -np.eye(3)])
    corners = np.array([[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)])
    return np.concatenate([faces, corners / np.sqrt(3.0)])


def _others(found: list[tuple[float, Array, Array]], apart: float) -> Array:
    """Places of other minima that fit about as well as the best, one of each."""
    kept = [found[0][1][:3]]
    for cost, x, _ in found[1:]:
        new = min(float(np.linalg.norm(x[:3] - k)) for k in kept) > apart
        if cost < found[0][0] + ALIKE and new:
            kept.append(x[:3])
    return np.asarray(kept[1:]).reshape(-1, 3)


def _undetermined(reason: str) -> SoundPlace:
    open_ = np.full((4, 4), np.nan)
    return SoundPlace(np.full(3, np.nan), np.nan, open_, np.nan, np.empty((0, 3)), reason)
