"""How well each marker sample is known, from its own dots and cameras.

Two errors are kept apart. What a dot's noise and a lens's local misfit do differs from sample to
sample: that is a sample's own deviation, its covariance carried through the triangulation as it
was weighted. What a camera's calibration shifts, it shifts for all samples alike: that is one
unknown shared by the record, and does not belong in a row (`common_shift`). Residuals say how large
both are: they are larger than the dots' deviations by what the calibrations are worth, and the part
of them that stays through the record is the shared one. Of what residuals show to differ from place
to place, and what the calibrations' covariance says of that, the larger counts: they are one error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtri

from lashwave.instruments import image_slopes, project
from lashwave.points.dots.common_shift import RingErrors, gains, ring_errors
from lashwave.points.dots.dot_settings import MEET, MeetSettings
from lashwave.quantities import Array, Camera, Dots, SpacePoints, Whole

MOST_MISS = 16.0
"""By which images are taken to miss at most [px]; no ring that is calibrated comes near it."""


@dataclass(frozen=True)
class PointDeviations:
    """Standard deviations of P points."""

    sd: Array
    """(P,) [m] of one coordinate, a sample's own."""
    ring: RingErrors
    """What the calibrations leave open, for all samples alike and for other cameras."""
    local: float
    """[px] by which images miss beyond what the dots state, differently from sample to sample."""


def point_deviations(
    cameras: Sequence[Camera],
    dots: Sequence[Dots],
    points: SpacePoints,
    settings: MeetSettings = MEET,
) -> PointDeviations:
    """Each point's own deviation, and that of the shift common to all.

    Parameters
    ----------
    cameras, dots : C of each; points : P of them, whose `views` count the dots of their frame.

    Returns
    -------
    Deviations of the points; a point whose images disagree beyond chance has its own widened by
    the square root of chi-square a degree of freedom.
    """
    uv, sd = images_of(dots, points)
    off = misses(cameras, points, uv)
    free = np.maximum(2 * np.isfinite(sd).sum(axis=1) - 3, 1)
    usual = _usual_misses(off, sd, free)
    middle = np.nanmedian(off, axis=0)
    lasting = float(np.sqrt(np.nanmean(middle**2) * 2.0 * np.isfinite(sd).sum() / free.sum()))
    local = float(np.sqrt(max(usual**2 - lasting**2, 0.0)))
    weight = np.where(np.isfinite(sd), 1.0 / (sd**2 + settings.calibration**2), 0.0)
    gain = gains(cameras, points.position, weight)
    has = np.isfinite(sd)
    noise, unlike = (
        np.einsum("pcij,pc->p", gain**2, np.where(has, v, 0.0)) / 3.0
        for v in (sd**2, np.full(sd.shape, local**2))
    )
    ring = ring_errors(
        cameras, points.position, gain, _picture_sd(cameras, points.position, lasting, settings)
    )
    chi2 = np.nansum(off**2 / (sd**2 + usual**2)[..., None], axis=(1, 2))
    worse = np.where(chi2 > chdtri(free, settings.doubtful), chi2 / free, 1.0)
    deviation = np.sqrt(np.maximum(worse, 1.0) * (noise + np.maximum(unlike, ring.own)))
    return PointDeviations(np.maximum(deviation, settings.least_sd), ring, local)


def _picture_sd(
    cameras: Sequence[Camera], position: Array, lasting: float, settings: MeetSettings
) -> Array:
    """(C,) of the shift of each picture [px], beside what was fitted: by what stays of residuals
    [px] beyond what the calibration states."""
    found = []
    for camera in cameras:
        if camera.calibration is None:
            found.append(max(camera.registration_sd or settings.calibration, lasting))
            continue
        some = position[:: max(1, len(position) // 200)]
        slopes = image_slopes(camera, some)[:, :, :-2]
        spread = np.einsum("pis,st,pit->", slopes, camera.calibration.covariance, slopes)
        found.append(np.sqrt(max(lasting**2 - spread / (2.0 * len(some)), 0.0)))
    return np.array(found)


def misses(cameras: Sequence[Camera], points: SpacePoints, uv: Array) -> Array:
    """By how much images (P, C, 2) miss those of their points, (P, C, 2) [px]."""
    return np.stack([uv[:, c] - project(k, points.position) for c, k in enumerate(cameras)], axis=1)


def images_of(dots: Sequence[Dots], points: SpacePoints) -> tuple[Array, Array]:
    """Image points (P, C, 2) and their deviations (P, C) [px]; nan where a camera saw none."""
    uv = np.full((*points.views.shape, 2), np.nan)
    sd = np.full(points.views.shape, np.nan)
    for c, own in enumerate(dots):
        has = points.views[:, c] >= 0
        at: Whole = np.searchsorted(own.frame, points.frame[has]) + points.views[has, c]
        uv[has, c], sd[has, c] = own.uv[at], own.sd[at].max(axis=1)
    return uv, sd


def _usual_misses(off: Array, sd: Array, free: Array) -> float:
    """[px] that, beside the dots' deviations (P, C), explains the residuals (P, C, 2).

    The median of chi-square over its own median is brought to one: a few bad points do not count.
    """
    middle = chdtri(free, 0.5)

    def score(more: float) -> float:
        chi2 = np.nansum(off**2 / (sd**2 + more**2)[..., None], axis=(1, 2))
        return float(np.median(chi2 / middle))

    if not free.size or score(0.0) <= 1.0:
        return 0.0
    if score(MOST_MISS) >= 1.0:
        return MOST_MISS
    return float(brentq(lambda more: score(more) - 1.0, 0.0, MOST_MISS, xtol=1e-6))
