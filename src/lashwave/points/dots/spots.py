"""What each fitted window holds: a dot, a streak, two dots, or something that is not told apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from lashwave.points.dots.odd import EVEN, odd_noise
from lashwave.points.dots.spot_fit import Fits, fit
from lashwave.points.dots.spot_models import ellipse, pair, streak
from lashwave.points.dots.windows import Windows, take
from lashwave.quantities.arrays import Array, Mask
from lashwave.quantities.images import Dots

LONG = 20.0
"""Chi-square (2 degrees of freedom) of a dot's elongation: round dots pass it once in 20 000."""
LENS = 1.15
"""Ratio of the two second moments that a lens may give a round dot."""
APART = 3.0
"""Least distance of two dots that are parted, in standard widths."""
BETTER = 10.0
"""Gain in chi-square with which one shape is preferred to another (odds of e^5)."""
UNSURE = 0.3
"""Share of the apparent length by which the middle of two blended dots may miss either: the
half distance d / 2 of two equal dots against the length sqrt(3) d they are taken for."""
POOR = 1.8
"""Chi-square a degree of freedom at which a fit's shape is doubted."""
MISFIT = 0.1
"""Root-mean-square residual over the height at which a spot is no shape that is known."""

WORST = 0.25
"""Greatest residual over the height at which an elongated spot is neither streak nor pair."""


@dataclass(frozen=True)
class _Shape:
    """Second moments of spots: (D,) along, across [px2], angle of the long axis [rad]."""

    along: Array
    across: Array
    angle: Array
    long: Mask


def _shape(fits: Fits) -> _Shape:
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
    return _Shape(along, across, angle, (score > LONG) & (along > LENS * across))


def _sd(fits: Fits, first: int = 1) -> Array:
    """(D, 2) standard deviation of the centre whose u is parameter `first`."""
    variance = np.stack([fits.covariance[:, k, k] for k in (first, first + 1)], axis=1)
    return np.sqrt(np.maximum(variance, 0.0) * fits.widening[:, None])


def _moments_of_start(windows: Windows) -> tuple[Array, Array, Array]:
    """Along, across [px2] and angle [rad] of the blobs themselves."""
    a, b, c = windows.start[:, 3:6].T
    determinant = a * c - b * b
    half = 0.5 * (a + c) / determinant
    lean = np.hypot(0.5 * (a - c), b) / determinant
    return half + lean, np.maximum(half - lean, 0.2), 0.5 * np.arctan2(-2.0 * b, c - a)


def _streaks(windows: Windows, sd: float, gain: float) -> Fits:
    along, across, angle = _moments_of_start(windows)
    length = np.sqrt(12.0 * np.maximum(along - across, 0.05))
    s = windows.start
    start = np.column_stack([s[:, :3], 0.5 * np.log(across), length, angle, s[:, 6]])
    return fit(streak, start, windows.grid, windows.grey, windows.used, sd, gain, steps=15)


def _pairs(windows: Windows, sd: float, gain: float) -> Fits:
    along, across, angle = _moments_of_start(windows)
    reach = np.sqrt(np.maximum(along - across, 0.25))[:, None]
    step = reach * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    s = windows.start
    one, two = s[:, 1:3] + step, s[:, 1:3] - step
    top, width = s[:, :1], 0.5 * np.log(across)[:, None]
    start = np.hstack([top, one, top, two, width, s[:, 6:]])
    return fit(pair, start, windows.grid, windows.grey, windows.used, sd, gain, steps=15)


def _one(windows: Windows, centre: Array, sd: Array, flux: Array, streak: Array, m: Mask) -> Dots:
    return Dots(windows.frame, windows.middle + centre, sd, flux, streak, m)


def _plain(windows: Windows, fits: Fits, shape: _Shape) -> Dots:
    """Round dots, and spots that fit no shape: their centre within their extent, flagged."""
    p = fits.values
    flux = 2.0 * np.pi * p[:, 0] * np.sqrt(shape.along * shape.across)
    lost = ~np.isfinite(p).all(axis=1) | (p[:, 0] <= 0)
    lost |= np.abs(p[:, 1:3]).max(axis=1) > windows.half
    lost |= p[:, 3] * p[:, 5] <= p[:, 4] ** 2
    rms = np.sqrt((fits.rest**2).sum(axis=1) / fits.freedom)
    odd = (fits.chi2 > POOR * fits.freedom) & (rms > MISFIT * p[:, 0]) & ~lost
    along, across, angle = _moments_of_start(windows)
    bare = np.sqrt(along * np.cos(angle) ** 2 + across * np.sin(angle) ** 2)
    side = np.sqrt(along * np.sin(angle) ** 2 + across * np.cos(angle) ** 2)
    poor = (lost | odd)[:, None]
    centre = np.where(poor, windows.start[:, 1:3], p[:, 1:3])
    sd = np.where(poor, np.stack([bare, side], axis=1), _sd(fits))
    flux = np.where(lost, 2 * np.pi * windows.start[:, 0] * np.sqrt(along * across), flux)
    return _one(windows, centre, sd, flux, np.zeros(len(p)), windows.cut | poor[:, 0])


def _ill(fits: Fits, height: Array) -> Mask:
    """Fits (D,) that miss by more than noise and by a good part of the height: three dots, say."""
    worst = np.abs(fits.rest).max(axis=1)
    return np.asarray((fits.chi2 > POOR * fits.freedom) & (worst > WORST * height))


def _long(windows: Windows, dot: Fits, sd: float, gain: float, pulse_sd: float) -> list[Dots]:
    """Elongated spots: streaks, parted pairs, and what could be either."""
    s, p = _streaks(windows, sd, gain), _pairs(windows, sd, gain)
    scale = np.maximum(1.0, np.minimum(s.chi2 / s.freedom, p.chi2 / p.freedom))
    lead = (s.chi2 - p.chi2) / scale
    width = np.exp(p.values[:, 6])
    far = np.hypot(*(p.values[:, 1:3] - p.values[:, 4:6]).T)
    inside = np.abs(p.values[:, [1, 2, 4, 5]]).max(axis=1) <= windows.half
    strong = p.values[:, [0, 3]].min(axis=1) > 5.0 * sd
    two = (lead > BETTER) & (far > APART * width) & inside & strong
    two &= ~_ill(p, np.maximum(p.values[:, 0], p.values[:, 3]))
    whole = np.abs(s.values[:, 1:3]).max(axis=1) <= windows.half
    whole &= (s.values[:, 0] > 0) & (np.abs(s.values[:, 4]) < 4 * windows.half)
    drawn = (lead < -BETTER) & whole & ~_ill(s, s.values[:, 0])
    unsure = ~two & ~drawn & whole
    found = []
    for first, height in ((1, 0), (4, 3)):
        flux = 2 * np.pi * p.values[:, height] * width**2
        centre = p.values[:, first : first + 2]
        one = _one(windows, centre, _sd(p, first), flux, np.zeros(len(two)), windows.cut)
        found.append(_some(one, two))
    length, angle = np.abs(s.values[:, 4]), s.values[:, 5]
    slack = np.where(drawn, pulse_sd, UNSURE) * length
    way = np.abs(np.stack([np.cos(angle), np.sin(angle)], axis=1))
    spread = np.sqrt(_sd(s) ** 2 + (slack[:, None] * way) ** 2)
    size = np.exp(np.clip(s.values[:, 3], -5, 5))
    middle = np.maximum(1.0 - 2.0 * ndtr(-0.5 * length / size), 1e-9)
    flux = s.values[:, 0] / middle * length * size * np.sqrt(2 * np.pi)
    one = _one(windows, s.values[:, 1:3], spread, flux, length, windows.cut | unsure)
    found.append(_some(one, drawn | unsure))
    rest = ~(two | drawn | unsure)
    if rest.any():
        plain = _plain(windows, dot, _shape(dot))
        found.append(_some(plain, rest))
    return found


def _some(dots: Dots, which: Mask) -> Dots:
    return Dots(*(column[which] for column in vars(dots).values()))


def _part(fits: Fits, which: Mask) -> Fits:
    return Fits(*(column[which] for column in vars(fits).values()))


def _told(windows: Windows, fits: Fits) -> tuple[_Shape, Mask]:
    """Shapes of the ellipse fits, and which spots are to be tried as something else."""
    shape = _shape(fits)
    along, across, _ = _moments_of_start(windows)
    poor = fits.chi2 > POOR * fits.freedom
    return shape, shape.long | (poor & (along > 2.0 * across))


def measure(windows: Windows, sd: float, gain: float, pulse_sd: float) -> Dots:
    """Centre, standard deviation and kind of every window's spot; frames as in `windows`.

    sd, gain : noise of a pixel (`background`); pulse_sd : as in `dots.DotSearch`.
    """
    fits = fit(ellipse, windows.start, windows.grid, windows.grey, windows.used, sd, gain)
    shape, long = _told(windows, fits)
    parts = [_some(_plain(windows, fits, shape), ~long)]
    if long.any():
        parts += _long(take(windows, long), _part(fits, long), sd, gain, pulse_sd)
    return Dots(*(np.concatenate([getattr(p, n) for p in parts]) for n in vars(parts[0])))


def noise_and_light(windows: Windows, sd: float, gain: float) -> tuple[Array, Array]:
    """Of every pixel of the round, whole dots: noise variance seen [grey levels squared], and the
    light [grey levels] of the fit over its background; both (P,).

    Only what is odd about a dot's centre counts as noise, so that a dot whose shape is round but
    not Gaussian does not pass for noise.
    """
    fits = fit(ellipse, windows.start, windows.grid, windows.grey, windows.used, sd, gain)
    keep = ~(_told(windows, fits)[1] | windows.cut)
    square, told = odd_noise(fits.rest, windows.used, fits.values[:, 1:3], windows.half)
    count = told.sum(axis=1)
    noise = square * (count / np.maximum(count - EVEN, 1))[:, None]
    light = np.maximum(windows.grey - fits.rest - fits.values[:, 6:], 0.0)
    which = told & keep[:, None]
    return noise[which], light[which]
