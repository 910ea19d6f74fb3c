"""The line's end where strong fronts stand about it: walked to from where the line is clear.

A strong front saturates to black and white, so its dark bands are as dark as the line and join
it. But a band has glare beside it, the line far from the tip has none: that clear stem gives the
line's place, direction and width. From its end the walk goes straight on, over the fronts: the
line is opaque, so its core stays dark through every bright band, and it ends where the core is
bright for good. The end counts only if one of the line's two edges was seen shortly before it.
Holds for lines that curve little over the walk.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lashwave.points.background import Plane
from lashwave.points.tip.centre_line import centre_line, sampled
from lashwave.points.tip.line_mask import DarkRegion, Mask, MaskThresholds, blurred
from lashwave.points.tip.line_trace import End, way_in
from lashwave.points.tip.tip_settings import TIP, TipSettings
from lashwave.quantities import Array


def lit_by_fronts(shade: Plane, settings: TipSettings = TIP) -> Mask:
    """(H, W) where a front may stand: about what is brighter than the background."""
    glare = (shade < -settings.walk_glare).view(np.uint8)
    disc = cv2.getStructuringElement(
        cv2.MORPH_ELLIPSE, (2 * settings.walk_about + 1, 2 * settings.walk_about + 1)
    )
    return np.asarray(cv2.dilate(glare, disc)).view(np.bool_)


def clear_stems(
    shade: Plane, lit: Mask, thresholds: MaskThresholds, settings: TipSettings = TIP
) -> list[DarkRegion]:
    """Regions that are dark and thin, have come in, and have no glare about them.

    Parameters
    ----------
    shade : (H, W) finely blurred darkness; lit : (H, W), as from `lit_by_fronts`.
    """
    clear = (shade > thresholds.likely) & (thresholds.fine_share > 0.15) & ~lit
    count, labels, stats, _ = cv2.connectedComponentsWithStats(clear.view(np.uint8))
    found = []
    for label in range(1, count):
        left, top, width, height, area = (int(x) for x in stats[label])
        long = float(np.hypot(width, height))
        if long < settings.walk_stem or area > settings.walk_widest * long * 1.5:
            continue
        low, left_low = max(top - settings.mask_margin, 0), max(left - settings.mask_margin, 0)
        box = (
            slice(low, top + height + settings.mask_margin),
            slice(left_low, left + width + settings.mask_margin),
        )
        mask = labels[box] == label
        rim = mask & thresholds.rim[box]
        if rim.any() and float(shade[box][mask].max()) > 0.5:
            found.append(DarkRegion((left_low, low), mask, rim, shade[box]))
    return found


def walked_ends(dark: Plane, thresholds: MaskThresholds, settings: TipSettings = TIP) -> list[End]:
    """Ends that clear clear_stems lead to through the fronts; `End.beyond` is at least 1 px."""
    found = []
    shade = blurred(dark, 1.0) / thresholds.fine_share
    lit = lit_by_fronts(shade, settings=settings)
    for stem in clear_stems(shade, lit, thresholds, settings=settings):
        way = way_in(stem)
        if way is None or len(way) < settings.walk_stem:
            continue
        line = centre_line(dark, np.ones_like(dark), way, settings=settings).uv[2:]
        depth, half = _section(dark, line, settings)
        if half > 0.5 * settings.walk_widest or depth < settings.walk_stem_depth:
            continue
        walk = _walk(dark, thresholds.weight, line[: settings.walk_fitted], depth, half, settings)
        if walk is None or not _ends_in_fronts(shade, lit, walk, depth, settings):
            continue
        direction = walk[0] - walk[min(14, len(walk) - 1)]
        direction = direction / np.hypot(*direction)
        found.append(End(np.concatenate([walk, line]), direction, depth, True, 1.0, 2.0 * half))
    return found


def _ends_in_fronts(
    shade: Plane, lit: Mask, walk: Array, depth: float, settings: TipSettings
) -> bool:
    """Whether fronts are about the end, and no line goes on from it where there are none."""
    u, v = (int(x) for x in np.rint(walk[0]))
    box = (
        slice(max(v - settings.walk_ring, 0), v + settings.walk_ring + 1),
        slice(max(u - settings.walk_ring, 0), u + settings.walk_ring + 1),
    )
    if not lit[v, u]:
        return False
    back = walk[min(settings.walk_ring, len(walk) - 1)] - walk[0]
    back = back / max(float(np.hypot(*back)), 1e-9)
    rows, columns = np.mgrid[box]
    away = np.stack([columns, rows], axis=-1) - walk[0]
    far = np.hypot(away[..., 0], away[..., 1])
    square = np.ones((2 * settings.walk_about + 1, 2 * settings.walk_about + 1), np.uint8)
    near = np.asarray(cv2.dilate(lit[box].view(np.uint8), square)).view(np.bool_)
    on = (shade[box] > settings.walk_dark * depth) & ~near & (far > settings.walk_ring - 3)
    return not bool((on & (away @ back < 0.7 * far)).any())


def _section(dark: Plane, line: Array, settings: TipSettings) -> tuple[float, float]:
    """Depth and half width of a clear line near its inner end."""
    tangent = np.gradient(line[: 2 * settings.walk_fitted], axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    offsets = np.arange(-10.0, 10.25, 0.5)
    cut = sampled(
        dark, line[: 2 * settings.walk_fitted, None] + offsets[None, :, None] * normal[:, None]
    )
    profile = np.median(cut, axis=0)
    depth = float(profile.max())
    return depth, 0.25 * float(np.clip(profile, 0.0, None).sum()) / max(depth, 0.1)


@dataclass
class _Steps:
    """Where a walk has come to."""

    way: list[Array]
    proven: int = 0
    """Length of the way when an edge was last seen."""
    clear: int = 0
    """And when both were."""
    gone: int = 0
    """Steps since the core was dark."""
    hidden: int = 0
    """Of these, behind wires and dust."""


def _walk(
    dark: Plane, seen: Plane, start: Array, depth: float, half: float, settings: TipSettings
) -> Array | None:
    """(W, 2) from the end back to the stem; None where no end was seen to be one."""
    turned = start[::-1]
    s = np.arange(len(turned)) - (len(turned) - 1.0)
    bend = np.stack([np.polyfit(s, turned[:, k], 2) for k in (0, 1)], axis=1)
    place, heading = bend[2].copy(), bend[1] / np.hypot(*bend[1])
    height, width = dark.shape
    steps = _Steps([])
    for _ in range(settings.walk_farthest):
        place = place + heading
        if not (12 <= place[0] < width - 12 and 12 <= place[1] < height - 12):
            return None
        normal = np.array([-heading[1], heading[0]])
        state, off = _across(dark, seen, place, normal, depth, half, settings)
        if state == "hidden":
            steps.hidden += 1
            if steps.hidden > settings.walk_hidden:
                return None
            continue
        if state == "bright":
            steps.gone += 1
            if steps.gone >= settings.walk_gone:
                break
            continue
        steps.gone = steps.hidden = 0
        if state == "both":
            place = place + settings.walk_steer * off * normal
            heading = heading + settings.walk_turn * settings.walk_steer * off * normal
            heading = heading / np.hypot(*heading)
        steps.way.append(place.copy())
        if state == "both":
            steps.clear = len(steps.way)
        if state != "neither":
            steps.proven = len(steps.way)
        elif len(steps.way) - steps.proven > settings.walk_blind:
            return None
    unseen = len(steps.way) - steps.proven
    if (
        not steps.way
        or unseen > settings.walk_unseen
        or steps.gone < settings.walk_gone
        or steps.hidden
    ):
        return None
    # The foremost front starts at the tip itself: dark that goes on with one edge alone is its.
    last = (
        len(steps.way) if len(steps.way) - steps.clear <= settings.walk_unseen else steps.clear + 1
    )
    return np.array(steps.way[:last][::-1]) if last > 1 else None


def _across(
    dark: Plane,
    seen: Plane,
    place: Array,
    normal: Array,
    depth: float,
    half: float,
    settings: TipSettings,
) -> tuple[str, float]:
    """What a cut across the line shows: how many edges, or no line; and the core's offset [px].

    The core must be dark over its whole width: strands beyond the end are as dark, but thinner.
    """
    offsets = np.arange(-settings.walk_roam - half, settings.walk_roam + half + 0.25, 0.5)
    spots = place + offsets[:, None] * normal
    if float(sampled(seen, spots).mean()) < 0.8:
        return "hidden", 0.0
    cut = sampled(dark, spots).ravel()
    size = max(round(4.0 * settings.walk_core * half), 1)
    core = np.convolve(cut, np.full(size, 1.0 / size), mode="valid")
    if core.max() < settings.walk_dark * depth:
        return "bright", 0.0
    beside = half + np.array([1.5, 2.0, 2.5])
    sides = [sampled(dark, place + k * beside[:, None] * normal).mean() for k in (1, -1)]
    edges = sum(float(x) < settings.walk_open * depth for x in sides)
    mass = np.clip(cut, 0.0, depth)
    return ("neither", "one", "both")[edges], float(mass @ offsets / max(mass.sum(), 1e-6))


def bands(
    dark: Plane, end: End, corner: tuple[int, int], settings: TipSettings = TIP
) -> NDArray[np.bool_]:
    """(h, w) the fronts' dark bands beside the line, about an end.

    Parameters
    ----------
    dark : (h, w) share of light lacking about the end [1].
    corner : u, v of its first pixel [px].
    """
    rows, columns = np.mgrid[: dark.shape[0], : dark.shape[1]]
    away = np.stack([columns, rows], axis=-1) + np.asarray(corner, dtype=float) - end.way[0]
    across = np.abs(away @ np.array([-end.direction[1], end.direction[0]]))
    return np.asarray((dark > settings.walk_open * end.depth) & (across > settings.walk_band))
