"""Whether an end is the only free end of what is dark, and nothing hides that the line goes on.

A line that came in by one edge has one free end. Where it crosses itself, its way closes a loop,
which hangs on the rest twice; where it folds, or a piece of it is taken for the background, a
second piece hangs on the rest once, and either may hold the tip. Nothing in the picture tells
which, so such a frame has no tip.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lashwave.points.background import Plane
from lashwave.points.tip.crossings import about, arms
from lashwave.points.tip.line_mask import DarkRegion, Mask, MaskThresholds, blurred
from lashwave.points.tip.line_trace import End
from lashwave.points.tip.tip_settings import TIP, TipSettings
from lashwave.quantities import Array


@dataclass(frozen=True)
class DarkScene:
    """What is dark in one frame, for all its ends."""

    dark: Plane
    """(H, W) relative darkness."""
    regions: list[DarkRegion]
    thresholds: MaskThresholds
    usable: Mask
    """(H, W): bright enough in the background to show a dark line."""
    still: Mask
    """(H, W): dark in the background itself, and taken for a part of the line."""
    own: DarkRegion | None = None
    """The region whose end is judged."""


def is_lone(end: End, scene: DarkScene, settings: TipSettings = TIP) -> bool:
    """Whether no other piece of the line hangs on its way (W, 2) [px], or lies hidden past it."""
    if _stands_still(end, scene):
        return False
    return not goes_on_hidden(end, scene, settings) and not has_rival(end, scene, settings)


def _stands_still(end: End, scene: DarkScene) -> bool:
    """Whether an end lies in what is dark all the time: no tip in flight."""
    u, v = np.rint(end.way[0]).astype(int)
    inside = 0 <= v < scene.still.shape[0] and 0 <= u < scene.still.shape[1]
    return bool(inside and scene.still[v, u])


def goes_on_hidden(end: End, scene: DarkScene, settings: TipSettings = TIP) -> bool:
    """Whether another dark piece of the line begins just past an end, behind dust, a wire or a thin
    part of it that stands still."""
    half = 0.5 * (end.width or 0.0)
    box, corner = about(end.way[0], settings.lone_hidden + half, scene.dark.shape)
    shade = np.full(scene.dark.shape, -np.inf, dtype=np.float32)[box]
    for region in scene.regions:
        if region is not scene.own:
            _paste(shade, corner, region)
    rows, columns = np.nonzero(shade > settings.trace_fold_dark * end.depth)
    away = np.column_stack([columns, rows]) + corner - end.way[0]
    far = np.hypot(away[:, 0], away[:, 1])
    ahead = away @ end.direction > np.cos(np.radians(settings.lone_fan)) * far
    if not _hides(end, scene.usable[box], corner, settings):
        return False  # a front: nothing lies between that could hide the line
    return bool((ahead & (far < settings.lone_hidden + half)).sum() >= settings.lone_again)


def _hides(end: End, usable: Mask, corner: NDArray[np.int64], settings: TipSettings) -> bool:
    """Whether anything in a part (h, w) of the picture hides what lies just past an end."""
    rows, columns = np.nonzero(~usable)
    away = np.column_stack([columns, rows]) + corner - end.way[0]
    far = np.hypot(away[:, 0], away[:, 1])
    ahead = away @ end.direction > np.cos(np.radians(settings.lone_fan)) * far
    return bool(ahead.any())


def _paste(shade: Plane, corner: NDArray[np.int64], region: DarkRegion) -> None:
    """Put a region's shade into a part (h, w) of the picture."""
    offset = np.asarray(region.corner) - corner
    low, high = (
        np.maximum(offset, 0),
        np.minimum(offset + region.mask.shape[::-1], shade.shape[::-1]),
    )
    if (high <= low).any():
        return
    here = np.s_[low[1] : high[1], low[0] : high[0]]
    low, high = low - offset, high - offset
    there = np.s_[low[1] : high[1], low[0] : high[0]]
    shade[here] = np.where(region.mask[there], region.shade[there], shade[here])


def has_rival(end: End, scene: DarkScene, settings: TipSettings = TIP) -> bool:
    """Whether a piece of the line that is no part of its way has a free end of its own."""
    rest, covered, corner, usual = _uncovered(end, scene, settings)
    half = 0.5 * (end.width or 0.0)
    if np.count_nonzero(rest) < settings.lone_least_pixels:
        return False
    inside = _inside(rest | covered)
    far = np.asarray(cv2.distanceTransform((~covered).view(np.uint8), cv2.DIST_L2, 5))
    still = scene.still[corner[1] :, corner[0] :][: rest.shape[0], : rest.shape[1]]
    count, labels, stats, _ = cv2.connectedComponentsWithStats(rest.view(np.uint8))
    long = settings.lone_long + half
    for number in range(1, count):
        own = labels == number
        if max(stats[number, 2], stats[number, 3]) < long or (own & still).sum() > 0.5 * own.sum():
            continue  # a stand, a thick wire
        for place in _farthest(own, covered, settings):
            if far[place[1], place[0]] < settings.lone_out + 0.8 * half:
                continue
            if (place + corner - end.way[0]) @ end.direction > half:
                continue  # ahead of the end: a tuft, a front
            if np.hypot(*(place + corner - end.way[-1])) < settings.lone_entry + 2.0 * usual:
                continue  # of a line that comes in at a slant, a wedge beside its way
            if _glares(scene.dark, place + corner, settings):
                continue  # a front: beside its dark side it is bright
            if _widest(inside, place) > settings.trace_wider * usual + settings.trace_wider_by:
                continue  # a fold, the line twice
            if arms(own | covered, place, 1.5 * max(half, usual) + 6.0) < 2:
                return True
    return False


def _glares(dark: Plane, place: NDArray[np.int64], settings: TipSettings) -> bool:
    """Whether a front lights up what lies about a place (2,) of a frame (H, W)."""
    box, _ = about(place.astype(float), float(settings.walk_about), dark.shape)
    return bool((blurred(dark[box], settings.mask_fine_blur) < -settings.walk_glare).any())


def _farthest(own: Mask, covered: Mask, settings: TipSettings) -> list[NDArray[np.int64]]:
    """Places (2,) of a piece (h, w) that are the farthest along it from what is covered, each
    about itself: its free ends, and the far side of a loop."""
    box = np.ones((3, 3), np.uint8)
    reach = np.zeros(own.shape, dtype=np.float32)
    wave = cv2.dilate(covered.view(np.uint8), box).view(np.bool_) & own
    done, step = wave.copy(), 1.0
    while wave.any():
        reach[wave] = step
        wave = cv2.dilate(wave.view(np.uint8), box).view(np.bool_) & own & ~done
        done |= wave
        step += 1.0
    size = 2 * settings.trace_apart + 1
    top = cv2.dilate(reach, np.ones((size, size), np.uint8))
    peaks = cv2.connectedComponents(((reach >= top) & own & (reach > 0)).view(np.uint8))[1]
    ends = []
    for number in range(1, int(peaks.max()) + 1):
        rows, columns = np.nonzero(peaks == number)
        ends.append(np.array([int(np.median(columns)), int(np.median(rows))]))
    return ends


def _widest(inside: NDArray[np.float32], place: NDArray[np.int64], reach: int = 12) -> float:
    """Greatest half width [px] about a place of what is so far (h, w) inside."""
    u, v = (int(x) for x in place)
    return float(inside[max(v - reach, 0) : v + reach, max(u - reach, 0) : u + reach].max())


def _inside(dark: Mask) -> NDArray[np.float32]:
    """(h, w) [px] distance to the edge of what is dark; none where the picture ends."""
    padded = np.pad(dark, 1, mode="edge").view(np.uint8)
    far = cv2.distanceTransform(padded, cv2.DIST_L2, 5)
    return np.asarray(far, dtype=np.float32)[1:-1, 1:-1]


def _uncovered(
    end: End, scene: DarkScene, settings: TipSettings
) -> tuple[Mask, Mask, NDArray[np.int64], float]:
    """(h, w) what is as dark as the line and no part of its way; what is; u, v of its corner; the
    line's usual half width [px]."""
    dark = np.zeros(scene.dark.shape, dtype=np.uint8)
    for region in scene.regions:
        u, v = region.corner
        h, w = region.mask.shape
        black = region.black or region.shade > settings.trace_fold_dark * end.depth
        dark[v : v + h, u : u + w] |= (region.mask & black).view(np.uint8)
    way = np.zeros_like(dark)
    cv2.polylines(way, [np.rint(end.way).astype(np.int32)], False, 1)
    dark |= way
    dark |= scene.thresholds.standing.view(np.uint8)
    labels = cv2.connectedComponents(dark)[1]
    u, v = np.rint(end.way[0]).astype(int)
    own = labels == labels[v, u]
    rows, columns = np.flatnonzero(own.any(axis=1)), np.flatnonzero(own.any(axis=0))
    top, left = max(int(rows[0]) - 3, 0), max(int(columns[0]) - 3, 0)
    box = np.s_[top : int(rows[-1]) + 4, left : int(columns[-1]) + 4]
    own = own[box]
    corner = np.array([left, top])
    usual = _usual_half(end, _inside(own), corner)
    covered = _near_way(end.way - corner, 1.4 * usual + 2.5, own.shape)
    standing = scene.thresholds.standing[box]
    if standing.any():
        covered |= own & standing
    return own & ~covered, covered & own, corner, usual


def _usual_half(end: End, inside: NDArray[np.float32], corner: NDArray[np.int64]) -> float:
    """Half width [px] of the line, as it is along most of its way."""
    row, column = np.rint(end.way - corner).astype(int)[:, ::-1].T
    row, column = row.clip(0, inside.shape[0] - 1), column.clip(0, inside.shape[1] - 1)
    return max(float(np.median(inside[row, column])), 0.5 * (end.width or 0.0))


def _near_way(way: Array, radius: float, shape: tuple[int, ...]) -> Mask:
    """(h, w) within a radius of a way (W, 2) [px]."""
    line = np.ones(shape, dtype=np.uint8)
    cv2.polylines(line, [np.rint(way).astype(np.int32)], False, 0)
    return np.asarray(cv2.distanceTransform(line, cv2.DIST_L2, 5)) <= radius
