"""Spots cut out of images, and what each is: a dot, a streak, two dots, or not to be said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import ndtr

from lashwave.points.dots.blobs import NOWHERE, Blobs, ImageLevels
from lashwave.points.dots.bright_runs import fill_cutouts
from lashwave.points.dots.dot_settings import DOTS, DotSettings
from lashwave.points.dots.spot_fits import (
    SYMMETRIC,
    SpotFits,
    fit_spots,
)
from lashwave.points.dots.spot_shapes import ELLIPSE, PAIR, STREAK, odd_parts
from lashwave.quantities import Array, Dots, Image, Mask, Whole


@dataclass(frozen=True)
class Cutouts:
    """D cutouts of one width, in whichever frames."""

    half: int
    frame: NDArray[np.int64]
    """(D,)"""
    middle: NDArray[np.int64]
    """(D, 2) [px] the cutout's middle pixel."""
    grey: Array
    """(D, N) raw levels, row after row."""
    used: Mask
    """(D, N) pixels on the sensor, not saturated, not of another dot."""
    start: Array
    """(D, 7) parameters of the ellipse model."""
    cut: Mask
    """(D,) saturated, or at the edge of the sensor."""

    @property
    def grid(self) -> Array:
        """(2, N) [px] places about the middle."""
        return _grid(self.half)


@cache
def _grid(half: int) -> Array:
    v, u = np.mgrid[-half : half + 1, -half : half + 1]
    return np.stack([u.ravel(), v.ravel()]).astype(float)


def chosen_cutouts(cutouts: Cutouts, which: Mask | NDArray[np.int64]) -> Cutouts:
    """Some of the cutouts, by a mask (D,) or by indices [1]."""
    names = ("frame", "middle", "grey", "used", "start", "cut")
    return Cutouts(cutouts.half, *(getattr(cutouts, n)[which] for n in names))


def widths(found: Blobs, height: Array) -> Array:
    """First guess (B,) of the dots' standard width [px], from thresholds (B,) [grey levels].

    A Gaussian of peak A stands over the threshold t on an area 2 pi w^2 ln(A / t).
    """
    ratio = np.maximum(found.peak / height, 1.15)
    return np.asarray(np.clip(np.sqrt(found.pixels / (2 * np.pi * np.log(ratio))), 0.5, 40.0))


def _starts(found: Blobs, width: Array) -> Array:
    """Ellipse parameters (B, 7), the centre still in image pixels, the background left at 0."""
    uu, uv, vv = found.moments.T
    uu, vv = uu + 0.3, vv + 0.3  # a row one pixel wide has no moment across
    determinant = uu * vv - uv * uv
    # The tails are cut off the moments: a dot takes its size from the area, a streak from them.
    long = (uu + vv) ** 2 > 5.0 * determinant
    scale = np.where(long, 1.0, np.sqrt(determinant) / np.maximum(width, 0.6) ** 2) / determinant
    a, b, c = vv, -uv, uu
    top = found.peak * np.where(found.full > 0, 1.5, 1.05)
    return np.column_stack([top, found.centre, a * scale, b * scale, c * scale, 0 * a])


def _neighbours(found: Blobs, width: Array, half: Whole) -> Whole:
    """(K, 2) blobs (own, other) of one image where the other may reach into the own cutout."""
    if found.frame.size < 2:
        return np.empty((0, 2), np.int64)
    far = 2.0 * float(half.max() + 3.0 * width.max() + 1.0)
    tree = cKDTree(np.column_stack([found.centre, found.frame * (4.0 * far)]))
    pairs = tree.query_pairs(far, output_type="ndarray").astype(np.int64)
    pairs = np.concatenate([pairs, pairs[:, ::-1]])
    own, other = pairs.T
    gap = np.maximum(*np.abs(found.centre[own] - found.centre[other]).T)
    return pairs[gap < half[own] + 3.0 * width[other] + 1.0]


def _hidden(found: Blobs, width: Array, own: int, other: int, u: Whole, v: Whole) -> Mask:
    """(rows, columns) pixels at u (columns,), v (rows,) [px] that are the other dot's."""
    square = [
        ((u - found.centre[k, 0]) ** 2 + (v[:, None] - found.centre[k, 1]) ** 2) / width[k] ** 2
        for k in (own, other)
    ]
    return np.asarray((square[1] < square[0]) & (square[1] < (3.0 + 1.0 / width[other]) ** 2))


def cutouts(
    images: Sequence[Image],
    found: Blobs,
    levels_of: Sequence[ImageLevels],
    height: Array,
    full: int,
    settings: DotSettings = DOTS,
) -> list[Cutouts]:
    """Cutouts by width, frames counted as in `found`. Blobs wider than the widest are left out.

    grounds : of the images; height : (images,) threshold over the background [grey levels].
    What is uneven in the background is taken off the cutouts.
    """
    if not found.pixels.size:
        return []
    width = widths(found, height[found.frame])
    start = _starts(found, width)
    start[:, 6] = np.array([g.level for g in levels_of])[found.frame]
    span = 0.5 * (found.high - found.low).max(axis=1)
    wanted = np.maximum(np.maximum(span + 1.0, settings.reach * width), 3.0)
    half = np.append(settings.half_widths, 0)[
        np.searchsorted(settings.half_widths, np.ceil(wanted - 0.25))
    ]
    near = _neighbours(found, width, half)
    limits = np.array(images[0].shape[::-1]) - 1
    cut = (found.full > 0) | (found.low <= 0).any(axis=1) | (found.high >= limits).any(axis=1)
    row, made = np.empty(half.size, np.int64), []
    for h in np.unique(half[half > 0]):
        rows = np.flatnonzero(half == h)
        row[rows] = np.arange(rows.size)
        middle = np.rint(found.centre[rows]).astype(np.int64)
        grey, used = _pixels(images, levels_of, found.frame[rows], middle, int(h), full)
        across = np.arange(-h, h + 1)
        for i, j in near[half[near[:, 0]] == h]:
            u, v = (np.clip(middle[row[i], k] + across, 0, limits[k]) for k in (0, 1))
            used[row[i]] &= ~_hidden(found, width, i, j, u, v)
        begin = start[rows].copy()
        begin[:, 1:3] -= middle
        flat = (len(rows), -1)
        made.append(
            Cutouts(
                int(h),
                found.frame[rows],
                middle,
                grey.reshape(flat),
                used.reshape(flat),
                begin,
                cut[rows],
            )
        )
    return made


def _pixels(
    images: Sequence[Image],
    levels_of: Sequence[ImageLevels],
    frame: Whole,
    middle: Whole,
    half: int,
    full: int,
) -> tuple[Array, Mask]:
    """Levels and used pixels (D, n, n) of cutouts about middles (D, 2), by frames that rise."""
    shape = (len(frame), 2 * half + 1, 2 * half + 1)
    grey, used = np.empty(shape), np.empty(shape, dtype=bool)
    for k in np.unique(frame):
        first, last = np.searchsorted(frame, [k, k + 1])
        uneven = levels_of[k].uneven
        some = slice(first, last)
        fill_cutouts(
            images[k], NOWHERE if uneven is None else uneven, middle[some], full, grey[some],
            used[some],
        )  # fmt: skip
    return grey, used


@dataclass(frozen=True)
class _Shape:
    """Second moments of spots: (D,) along, across [px2], angle of the long axis [rad]."""

    along: Array
    across: Array
    angle: Array
    long: Mask


def _shape(fits: SpotFits, settings: DotSettings) -> _Shape:
    """Second moments of the ellipse fits, and where they are longer than noise and lens allow."""
    a, b, c = fits.values[:, 3:6].T
    determinant = np.maximum(a * c - b * b, 1e-9)
    uu, uv, vv = c / determinant, -b / determinant, a / determinant
    half, lean = 0.5 * (uu + vv), np.hypot(0.5 * (uu - vv), uv)
    along, across = half + lean, np.maximum(half - lean, 1e-6)
    # Elongation as the vector (a - c, 2 b): zero for a round dot, whatever its size.
    turn = np.zeros((2, fits.values.shape[1]))
    turn[0, 3], turn[0, 5], turn[1, 4] = 1.0, -1.0, 2.0
    vector = fits.values @ turn.T
    spread = turn @ fits.covariance @ turn.T + 1e-15 * np.eye(2)
    score = np.einsum("di,di->d", vector, np.linalg.solve(spread, vector[..., None])[..., 0])
    score /= fits.widening
    angle = 0.5 * np.arctan2(2.0 * uv, uu - vv)
    return _Shape(along, across, angle, (score > settings.long) & (along > settings.lens * across))


def _sd(fits: SpotFits, first: int = 1) -> Array:
    """(D, 2) standard deviation of the centre whose u is parameter `first`."""
    variance = np.stack([fits.covariance[:, k, k] for k in (first, first + 1)], axis=1)
    return np.sqrt(np.maximum(variance, 0.0) * fits.widening[:, None])


def _moments_of_start(cutouts: Cutouts) -> tuple[Array, Array, Array]:
    """Along, across [px2] and angle [rad] of the blobs themselves."""
    a, b, c = cutouts.start[:, 3:6].T
    determinant = a * c - b * b
    half = 0.5 * (a + c) / determinant
    lean = np.hypot(0.5 * (a - c), b) / determinant
    return half + lean, np.maximum(half - lean, 0.2), 0.5 * np.arctan2(-2.0 * b, c - a)


def _streaks(cutouts: Cutouts, sd: float, gain: float, settings: DotSettings) -> SpotFits:
    along, across, angle = _moments_of_start(cutouts)
    length = np.sqrt(12.0 * np.maximum(along - across, 0.05))
    s = cutouts.start
    start = np.column_stack([s[:, :3], 0.5 * np.log(across), length, angle, s[:, 6]])
    return fit_spots(
        STREAK,
        start,
        cutouts.grid,
        cutouts.grey,
        cutouts.used,
        sd,
        gain,
        steps=15,
        settings=settings,
    )


def _pairs(cutouts: Cutouts, sd: float, gain: float, settings: DotSettings) -> SpotFits:
    along, across, angle = _moments_of_start(cutouts)
    reach = np.sqrt(np.maximum(along - across, 0.25))[:, None]
    step = reach * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    s = cutouts.start
    one, two = s[:, 1:3] + step, s[:, 1:3] - step
    top, width = s[:, :1], 0.5 * np.log(across)[:, None]
    start = np.hstack([top, one, top, two, width, s[:, 6:]])
    return fit_spots(
        PAIR, start, cutouts.grid, cutouts.grey, cutouts.used, sd, gain, steps=15, settings=settings
    )


def _one(cutouts: Cutouts, centre: Array, sd: Array, flux: Array, streak: Array, m: Mask) -> Dots:
    return Dots(cutouts.frame, cutouts.middle + centre, sd, flux, streak, m)


def _plain(cutouts: Cutouts, fits: SpotFits, shape: _Shape, settings: DotSettings) -> Dots:
    """Round dots, and spots that fit no shape: their centre within their extent, flagged."""
    p = fits.values
    flux = 2.0 * np.pi * p[:, 0] * np.sqrt(shape.along * shape.across)
    lost = ~np.isfinite(p).all(axis=1) | (p[:, 0] <= 0)
    lost |= np.abs(p[:, 1:3]).max(axis=1) > cutouts.half
    lost |= p[:, 3] * p[:, 5] <= p[:, 4] ** 2
    rms = np.sqrt((fits.rest**2).sum(axis=1) / fits.freedom)
    strange = (fits.chi2 > settings.poor * fits.freedom) & (rms > settings.misfit * p[:, 0]) & ~lost
    along, across, angle = _moments_of_start(cutouts)
    bare = np.sqrt(along * np.cos(angle) ** 2 + across * np.sin(angle) ** 2)
    side = np.sqrt(along * np.sin(angle) ** 2 + across * np.cos(angle) ** 2)
    poor = (lost | strange)[:, None]
    centre = np.where(poor, cutouts.start[:, 1:3], p[:, 1:3])
    sd = np.where(poor, np.stack([bare, side], axis=1), _sd(fits))
    flux = np.where(lost, 2 * np.pi * cutouts.start[:, 0] * np.sqrt(along * across), flux)
    return _one(cutouts, centre, sd, flux, np.zeros(len(p)), cutouts.cut | poor[:, 0])


def _ill(fits: SpotFits, height: Array, settings: DotSettings) -> Mask:
    """Fits (D,) that miss by more than noise and by a good part of the height: three dots, say."""
    worst = np.abs(fits.rest).max(axis=1)
    return np.asarray(
        (fits.chi2 > settings.poor * fits.freedom) & (worst > settings.worst * height)
    )


def _long(
    cutouts: Cutouts, dot: SpotFits, sd: float, gain: float, settings: DotSettings
) -> list[Dots]:
    """Elongated spots: streaks, parted pairs, and what could be either."""
    s, p = _streaks(cutouts, sd, gain, settings), _pairs(cutouts, sd, gain, settings)
    scale = np.maximum(1.0, np.minimum(s.chi2 / s.freedom, p.chi2 / p.freedom))
    lead = (s.chi2 - p.chi2) / scale
    width = np.exp(p.values[:, 6])
    far = np.hypot(*(p.values[:, 1:3] - p.values[:, 4:6]).T)
    inside = np.abs(p.values[:, [1, 2, 4, 5]]).max(axis=1) <= cutouts.half
    strong = p.values[:, [0, 3]].min(axis=1) > 5.0 * sd
    two = (lead > settings.better) & (far > settings.apart * width) & inside & strong
    two &= ~_ill(p, np.maximum(p.values[:, 0], p.values[:, 3]), settings)
    whole = np.abs(s.values[:, 1:3]).max(axis=1) <= cutouts.half
    whole &= (s.values[:, 0] > 0) & (np.abs(s.values[:, 4]) < 4 * cutouts.half)
    drawn = (lead < -settings.better) & whole & ~_ill(s, s.values[:, 0], settings)
    unsure = ~two & ~drawn & whole
    found = []
    for first, height in ((1, 0), (4, 3)):
        flux = 2 * np.pi * p.values[:, height] * width**2
        centre = p.values[:, first : first + 2]
        one = _one(cutouts, centre, _sd(p, first), flux, np.zeros(len(two)), cutouts.cut)
        found.append(_some(one, two))
    length, angle = np.abs(s.values[:, 4]), s.values[:, 5]
    slack = np.where(drawn, settings.pulse_sd, settings.unsure) * length
    way = np.abs(np.stack([np.cos(angle), np.sin(angle)], axis=1))
    spread = np.sqrt(_sd(s) ** 2 + (slack[:, None] * way) ** 2)
    size = np.exp(np.clip(s.values[:, 3], -5, 5))
    middle = np.maximum(1.0 - 2.0 * ndtr(-0.5 * length / size), 1e-9)
    flux = s.values[:, 0] / middle * length * size * np.sqrt(2 * np.pi)
    one = _one(cutouts, s.values[:, 1:3], spread, flux, length, cutouts.cut | unsure)
    found.append(_some(one, drawn | unsure))
    rest = ~(two | drawn | unsure)
    if rest.any():
        plain = _plain(cutouts, dot, _shape(dot, settings), settings)
        found.append(_some(plain, rest))
    return found


def _some(dots: Dots, which: Mask) -> Dots:
    return Dots(*(column[which] for column in vars(dots).values()))


def _part(fits: SpotFits, which: Mask) -> SpotFits:
    return SpotFits(*(column[which] for column in vars(fits).values()))


def _shapes(cutouts: Cutouts, fits: SpotFits, settings: DotSettings) -> tuple[_Shape, Mask]:
    """Shapes of the ellipse fits, and which spots are to be tried as something else."""
    shape = _shape(fits, settings)
    along, across, _ = _moments_of_start(cutouts)
    poor = fits.chi2 > settings.poor * fits.freedom
    return shape, shape.long | (poor & (along > 2.0 * across))


def measure(cutouts: Cutouts, sd: float, gain: float, settings: DotSettings = DOTS) -> Dots:
    """Centre, standard deviation and kind of every cutout's spot; frames as in `cutouts`.

    sd, gain : noise of a pixel (`image_levels`).
    """
    fits = fit_spots(
        ELLIPSE,
        cutouts.start,
        cutouts.grid,
        cutouts.grey,
        cutouts.used,
        sd,
        gain,
        settings=settings,
    )
    shape, long = _shapes(cutouts, fits, settings)
    parts = [_some(_plain(cutouts, fits, shape, settings), ~long)]
    if long.any():
        parts += _long(chosen_cutouts(cutouts, long), _part(fits, long), sd, gain, settings)
    return Dots(*(np.concatenate([getattr(p, n) for p in parts]) for n in vars(parts[0])))


def noise_and_light(
    cutouts: Cutouts, sd: float, gain: float, settings: DotSettings = DOTS
) -> tuple[Array, Array]:
    """Of every pixel of the round, whole dots: noise variance seen [grey levels squared], and the
    light [grey levels] of the fit over its background; both (P,).

    Only what is odd about a dot's centre counts as noise, so that a dot whose shape is round but
    not Gaussian does not pass for noise.
    """
    fits = fit_spots(
        ELLIPSE,
        cutouts.start,
        cutouts.grid,
        cutouts.grey,
        cutouts.used,
        sd,
        gain,
        settings=settings,
    )
    keep = ~(_shapes(cutouts, fits, settings)[1] | cutouts.cut)
    square, known = odd_parts(fits.rest, cutouts.used, fits.values[:, 1:3], cutouts.half)
    count = known.sum(axis=1)
    noise = square * (count / np.maximum(count - SYMMETRIC, 1))[:, None]
    light = np.maximum(cutouts.grey - fits.rest - fits.values[:, 6:], 0.0)
    which = known & keep[:, None]
    return noise[which], light[which]
