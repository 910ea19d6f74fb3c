"""The tip to a fraction of a pixel: the end of a dark bar fitted to the picture around it.

The bar's axis ends at the tip and may bend (a parabola over the dozen pixels that are used); the
lens and the pixel blur it by a Gaussian, the exposure by a straight stroke. Whether it is cut
square at the tip or rounded beyond it by half its width is not known beforehand, and moves the
dark edge by 0.8 of that half width; so its roundness is fitted too, and `pooled` takes one
roundness for a whole record. Least squares with the pixels' own noise: the covariance is then the
Fisher bound, widened where the picture does not fit (Kay, Fundamentals of Statistical Signal
Processing: Estimation Theory, 1993, ch. 3).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr
from scipy.stats import truncnorm

from lashwave.points.background import Plane
from lashwave.points.tip.centre_line import CentreLine
from lashwave.points.tip.tip_settings import TIP, TipSettings
from lashwave.quantities import Array, Mask

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_STROKE = np.polynomial.legendre.leggauss(5)


@dataclass(frozen=True)
class TipFit:
    """The end of the line in one frame."""

    uv: Array
    """(2,) [px] end of the axis, at the middle of the exposure."""
    covariance: Array
    """(2, 2) [px2]"""
    roundness: float
    """0 cut square at the tip, 1 a half circle beyond it."""
    roundness_sd: float
    pull: Array
    """(2,) [px] by which the tip moves for one more in roundness."""
    direction: Array
    """(2,) unit vector along the line, outward."""
    width: float
    """[px]"""
    depth: float
    """Share of light that the line takes."""
    misfit: float
    """Chi-square of the picture over its degrees of freedom."""
    moved: float | None = None
    """Where something joins the end: how far within it the tip was found [px], nan where no step
    of the edge was seen. None where nothing does."""

    @property
    def certain(self) -> bool:
        """No strands or front join the end, or the line's edge steps inward at it."""
        return self.moved is None or bool(np.isfinite(self.moved))

    @property
    def sd(self) -> float:
        """Of one coordinate, both taken alike [px]."""
        return float(np.sqrt(0.5 * np.trace(self.covariance)))


@dataclass(frozen=True)
class TipSeen:
    """The line's end in one frame."""

    frame: int
    fit: TipFit
    line: CentreLine
    """From near the tip to where the line came in."""
    corner: tuple[int, int]
    """u, v of the first pixel of the two pictures below."""
    dark: Plane
    """(h, w) relative darkness around the tip."""
    noise: Plane
    """Its standard deviation; inf where nothing is known."""


def bar(along: Array, across: Array, half: Array, blur: float, roundness: float) -> Array:
    """Darkness of an opaque bar blurred by a Gaussian, and its derivatives.

    Parameters
    ----------
    along, across : (P,) [px] from the end of the axis, outward positive.
    half : (P,) [px] half width at each place; blur : [px] its standard deviation.
    roundness : how far the end bulges beyond the axis, in half widths.

    Returns
    -------
    (6, P): the darkness, then its derivative by each argument in turn.
    """
    nodes, weights = _NODES, _WEIGHTS
    most = float(half.max(initial=0.0))
    if most > 3.0 * blur:  # nodes must lie closer than the blur
        nodes, weights = np.polynomial.legendre.leggauss(min(8 + 4 * int(most / blur), 64))
    bulge = np.sqrt(1.0 - nodes * nodes)
    each = half[:, None]
    off = (across[:, None] - each * nodes) / blur
    past = (roundness * each * bulge - along[:, None]) / blur
    slab = np.exp(-0.5 * off * off) * (each * weights / (blur * np.sqrt(2.0 * np.pi)))
    filled = slab * ndtr(past)
    rim = slab * np.exp(-0.5 * past * past) / (blur * np.sqrt(2.0 * np.pi))
    inside = filled.sum(axis=1)
    return np.stack(
        [
            inside,
            -rim.sum(axis=1),
            -(filled * off).sum(axis=1) / blur,
            inside / half + (filled * off) @ nodes / blur + roundness * (rim @ bulge),
            ((filled * (off * off - 1.0)).sum(axis=1)) / blur - (rim * past).sum(axis=1),
            half * (rim @ bulge),
        ]
    )


def _model(p: Array, places: Array, stroke: Array) -> tuple[Array, Array]:
    """Darkness at places (P, 2) and its derivatives (P, 10).

    p = tip u, v, angle, bend, log width, log blur, depth, level, roundness, taper: how much the
    half width grows for each pixel behind the tip.
    """
    cos, sin = np.cos(p[2]), np.sin(p[2])
    half, blur = 0.5 * np.exp(p[4]), np.exp(p[5])
    u, v = places[:, 0] - p[0], places[:, 1] - p[1]
    moments = _STROKE if np.hypot(*stroke) > 0.3 else (np.zeros(1), np.full(1, 2.0))
    slopes = np.zeros((len(places), 10))
    total = np.zeros(len(places))
    for node, weight in zip(*moments, strict=True):
        du, dv = u - 0.5 * node * stroke[0], v - 0.5 * node * stroke[1]
        along, level = cos * du + sin * dv, cos * dv - sin * du
        behind = np.minimum(along, 0.0)
        across = level - 0.5 * p[3] * behind * behind
        wide = np.maximum(half - p[9] * behind, 0.3 * half)
        dark, by_along, by_across, by_half, by_blur, by_round = (
            0.5 * weight * bar(along, across, wide, blur, p[8])
        )
        by_along = by_along - np.where(behind < 0.0, p[9], 0.0) * by_half
        turn = p[3] * behind
        total += dark
        slopes[:, 0] += -cos * by_along + (sin + turn * cos) * by_across
        slopes[:, 1] += -sin * by_along + (turn * sin - cos) * by_across
        slopes[:, 2] += level * by_along - (along + turn * level) * by_across
        slopes[:, 3] += -0.5 * behind * behind * by_across
        slopes[:, 4] += half * by_half
        slopes[:, 5] += blur * by_blur
        slopes[:, 8] += by_round
        slopes[:, 9] -= behind * by_half
    slopes *= p[6]
    slopes[:, 6], slopes[:, 7] = total, 1.0
    return p[6] * total + p[7], slopes


def fit_tip(
    dark: NDArray,
    noise: NDArray,
    corner: tuple[int, int],
    start: Array,
    direction: Array,
    width: float,
    depth: float,
    stroke: Array,
    joined: bool = False,
    settings: TipSettings = TIP,
) -> TipFit | None:
    """Fit the bar to a picture of relative darkness around its end.

    Parameters
    ----------
    dark, noise : (h, w) darkness and its standard deviation; inf noise where nothing is known.
    corner : u, v of their first pixel.
    start, direction : (2,) [px] rough tip, and the way outward.
    width, depth : rough width [px] and depth [share].
    stroke : (2,) [px] the tip's way during the exposure.
    joined : strands of a tuft, or a front, begin at the tip: only what is nearly as dark as the
        line counts, and the end's shape is not asked for. Strands that are as dark as the line
        lie within the fit then: see `tuft.at_edge_step`.

    Returns
    -------
    The fit, or None where it does not describe a line's end.
    """
    rows, columns = np.mgrid[: dark.shape[0], : dark.shape[1]]
    places = np.column_stack([columns.ravel(), rows.ravel()]) + np.asarray(corner, dtype=float)
    least = settings.fit_blacker * depth if joined else -np.inf
    used = _near(places - start, direction, width, stroke, settings) & np.isfinite(noise.ravel())
    if used.sum() < 60:
        return None
    places, seen = places[used], dark.ravel()[used].astype(float)
    seen = np.maximum(seen, least)
    weight = 1.0 / noise.ravel()[used].astype(float)
    s = settings
    round_sd = s.fit_joined_round_sd if joined else s.fit_round_sd
    expected = np.array([np.log(s.fit_lens), depth, 0.0, 0.0, s.fit_round, 0.0])
    tight = np.array([s.fit_lens_sd / s.fit_lens, s.fit_depth_sd, s.fit_level_sd, s.fit_bend_sd,
                      round_sd, s.fit_taper_sd])  # fmt: skip
    expected_at = [5, 6, 7, 3, 8, 9]
    pinned = np.zeros((len(expected_at), 10))
    pinned[np.arange(len(expected_at)), expected_at] = 1.0 / tight

    def residual(p: Array) -> Array:
        off = (np.maximum(_model(p, places, stroke)[0], least) - seen) * weight
        return np.concatenate([off, (p[expected_at] - expected) / tight])

    def slope(p: Array) -> Array:
        dark, slopes = _model(p, places, stroke)
        return np.concatenate([slopes * (weight * (dark > least))[:, None], pinned])

    angle = float(np.arctan2(direction[1], direction[0]))
    first = np.array([*start, angle, 0, np.log(width), np.log(s.fit_lens), depth, 0, s.fit_round,
                      0])  # fmt: skip
    found = least_squares(
        residual, first, jac=slope, method="lm", xtol=1e-5, ftol=1e-5, max_nfev=40
    )
    if not found.success:
        return None
    fit = _judged(found.x, found.jac, found.fun[: len(seen)], settings)
    return _shapeless(fit, settings) if joined and fit is not None else fit


def _near(
    away: Array, direction: Array, width: float, stroke: Array, settings: TipSettings
) -> Mask:
    """(P,) whether places, (P, 2) [px] from the rough tip, are near enough to tell its end."""
    side = np.array([-direction[1], direction[0]])
    along, across = away @ direction, np.abs(away @ side)
    behind = max(settings.fit_behind, width)
    ahead = settings.fit_ahead + 0.5 * np.hypot(*stroke)
    aside = 0.5 * width + settings.fit_aside + 0.5 * np.abs(stroke @ side)
    return np.asarray((along > -behind) & (along < ahead) & (across < aside))


def _judged(p: Array, jacobian: Array, misfits: Array, settings: TipSettings) -> TipFit | None:
    try:
        covariance = np.linalg.inv(jacobian.T @ jacobian)
    except np.linalg.LinAlgError:
        return None
    misfit = float(misfits @ misfits) / max(misfits.size - p.size, 1)
    width = float(np.exp(p[4]))
    if not (
        settings.fit_narrowest < width < settings.fit_widest
        and p[6] > 0.1
        and abs(p[8] - settings.fit_round) < settings.fit_round_most
    ):
        return None
    covariance *= max(misfit, 1.0) + settings.fit_alike_pixels * max(
        misfit - settings.fit_misfit, 0.0
    )
    if not (np.isfinite(covariance).all() and (np.diag(covariance) > 0.0).all()):
        return None
    return TipFit(
        p[:2].copy(),
        np.asarray(covariance[:2, :2], dtype=float),
        float(p[8]),
        float(np.sqrt(covariance[8, 8])),
        np.asarray(covariance[:2, 8] / covariance[8, 8], dtype=float),
        np.array([np.cos(p[2]), np.sin(p[2])]),
        width,
        float(p[6]),
        misfit,
    )


def _shapeless(fit: TipFit, settings: TipSettings) -> TipFit:
    """A tip that something joins: its shape tells nothing."""
    return replace(fit, roundness_sd=settings.fit_round_sd, pull=np.zeros(2))


def pooled(fits: list[TipFit], settings: TipSettings = TIP) -> list[TipFit]:
    """Fits of one line's end with one roundness for all: what one frame leaves open, many tell.

    Each frame's roundness counts by what its picture alone says; every tip then moves along with
    its roundness to the common one (conditioning a Gaussian). What stays unknown of it is common
    to all frames.
    """
    if not fits:
        return []
    weight = np.array(
        [max(1.0 / f.roundness_sd**2 - 1.0 / settings.fit_round_sd**2, 0.0) for f in fits]
    )
    alone = np.array(
        [
            f.roundness / f.roundness_sd**2 - settings.fit_round / settings.fit_round_sd**2
            for f in fits
        ]
    )
    if not (weight > 0.0).any():
        return list(fits)
    middle = float(alone[weight > 0.0].sum() / weight.sum())
    sd = float(np.hypot(weight.sum() ** -0.5, settings.fit_round_model))
    common, spread = _common_roundness(middle, sd, settings)
    return [
        replace(
            f,
            uv=f.uv + f.pull * (common - f.roundness),
            covariance=f.covariance - np.outer(f.pull, f.pull) * (f.roundness_sd**2 - spread**2),
            roundness=common,
            roundness_sd=spread,
        )
        for f in fits
    ]


def _common_roundness(middle: float, sd: float, settings: TipSettings) -> tuple[float, float]:
    """Mean and deviation of a line's roundness that its pictures say is `middle` to `sd`.

    Ends are cut square or rounded off, or anything between; none is hollow or bulges further.
    """
    middle = float(np.clip(middle, -2.0 * sd, 1.0 + 2.0 * sd))
    between, spread = truncnorm.stats(-middle / sd, (1.0 - middle) / sd, middle, sd)
    places = np.array([0.0, 1.0, float(between)])
    within = float(ndtr((1.0 - middle) / sd) - ndtr(-middle / sd))
    shares = np.array([settings.fit_round_kind] * 2 + [1.0 - 2.0 * settings.fit_round_kind])
    shares *= [
        *np.exp(-0.5 * ((places[:2] - middle) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)),
        within,
    ]
    shares /= shares.sum()
    common = float(shares @ places)
    return common, float(np.sqrt(shares @ (places - common) ** 2 + shares[2] * spread))
