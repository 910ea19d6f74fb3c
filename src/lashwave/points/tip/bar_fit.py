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
from scipy.special import ndtr
from scipy.stats import truncnorm

from lashwave.points.background import Plane
from lashwave.points.tip.bar_shape import NODES, PARAMETERS, STROKE, WEIGHTS, draw_bar, fit_bar
from lashwave.points.tip.centre_line import CentreLine
from lashwave.points.tip.tip_settings import TIP, TipSettings
from lashwave.quantities import Array, Whole


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


def _strokes(stroke: Array) -> Array:
    """(3, S): moments of an exposure over which the tip goes (2,) [px], and their shares of it."""
    if np.hypot(*stroke) <= 0.3:
        return np.array([[0.0], [0.0], [1.0]])
    return np.stack([*(0.5 * STROKE[0] * way for way in stroke), 0.5 * STROKE[1]])


def _model(p: Array, places: Array, stroke: Array) -> tuple[Array, Array]:
    """Darkness at places (P, 2) and its derivatives (P, 11) by p, as in `bar_shape`."""
    dark, slope = np.empty(len(places)), np.empty((len(places), p.size))
    draw_bar(p, places, _strokes(stroke), NODES, WEIGHTS, dark, slope)
    return dark, slope


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
    least = settings.fit_blacker * depth if joined else -np.inf
    near = _near(dark.shape, start - np.asarray(corner), direction, width, stroke, settings)
    near = near[np.isfinite(noise[near[:, 1], near[:, 0]])]
    if len(near) < 60:
        return None
    seen = dark[near[:, 1], near[:, 0]].astype(float)
    weight = 1.0 / noise[near[:, 1], near[:, 0]].astype(float)
    expected, tight = _expected(depth, joined, settings)
    angle = float(np.arctan2(direction[1], direction[0]))
    first = np.concatenate([start, [angle], expected[3:]])
    first[4] = np.log(width)
    try:
        p, normal, square, rests = fit_bar(
            first, near + np.asarray(corner, dtype=float), np.maximum(seen, least), weight,
            _strokes(stroke), least, expected, tight, NODES, WEIGHTS, settings.fit_steps,
        )  # fmt: skip
    except np.linalg.LinAlgError:
        return None
    if not rests:
        return None
    fit = _judged(p, normal, square / max(seen.size - p.size, 1), settings)
    return _shapeless(fit, settings) if joined and fit is not None else fit


def _expected(depth: float, joined: bool, settings: TipSettings) -> tuple[Array, Array]:
    """What is expected of the bar's parameters (11,), and one over its deviation; 0 for unknown."""
    s = settings
    round_sd = s.fit_joined_round_sd if joined else s.fit_round_sd
    expected = np.zeros(PARAMETERS)
    expected[[5, 6, 8]] = np.log(s.fit_lens), depth, s.fit_round
    sd = [s.fit_bend_sd, np.inf, s.fit_lens_sd / s.fit_lens, s.fit_depth_sd, s.fit_level_sd,
          round_sd, s.fit_taper_sd, s.fit_curl_sd]  # fmt: skip
    return expected, np.concatenate([np.zeros(3), 1.0 / np.array(sd)])


def _near(
    shape: tuple[int, ...],
    tip: Array,
    direction: Array,
    width: float,
    stroke: Array,
    settings: TipSettings,
) -> Whole:
    """(P, 2) pixels u, v of a picture (h, w) that are near enough to a rough tip (2,) to tell its
    end."""
    side = np.array([-direction[1], direction[0]])
    behind = max(settings.fit_behind, width)
    ahead = settings.fit_ahead + 0.5 * float(np.hypot(*stroke))
    aside = 0.5 * width + settings.fit_aside + 0.5 * abs(float(stroke @ side))
    reach = float(np.hypot(max(behind, ahead), aside))
    low = np.maximum(np.floor(tip - reach), 0).astype(np.int64)
    high = np.minimum(np.ceil(tip + reach).astype(np.int64) + 1, shape[::-1])
    columns, rows = (np.arange(*ends) for ends in zip(low, high, strict=True))
    u, v = columns - tip[0], (rows - tip[1])[:, None]
    along, across = u * direction[0] + v * direction[1], np.abs(u * side[0] + v * side[1])
    own = np.argwhere((along > -behind) & (along < ahead) & (across < aside))
    return np.asarray(own[:, ::-1] + low)


def _judged(p: Array, normal: Array, misfit: float, settings: TipSettings) -> TipFit | None:
    try:
        covariance = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        return None
    width = float(np.exp(p[4]))
    if not (
        settings.fit_narrowest < width < settings.fit_widest
        and p[6] > 0.1
        and abs(p[8] - settings.fit_round) < settings.fit_round_most
    ):
        return None
    # What the bar lacks, another strand say, covers as much as the line's end.
    alike = max(settings.fit_alike_pixels, 0.25 * np.pi * width**2)
    covariance *= max(misfit, 1.0) + alike * max(misfit - settings.fit_misfit, 0.0)
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
