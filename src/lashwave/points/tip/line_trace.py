"""From a dark region to the line's way through it: where it ends, and its centre-line.

The way is the cheapest from the rim through dark pixels (Dijkstra); an end is a place that no way
leads beyond and past which the picture is bright.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from lashwave.points.tip.crossings import arms
from lashwave.points.tip.line_mask import DarkRegion, Mask
from lashwave.points.tip.tip_settings import TIP, TipSettings
from lashwave.quantities import Array, Index

WIDE = 3.5
"""Half width from which a line's way is led along its middle, and its end sought on its axis [px].
Chosen so that the blur of a thin line, whose middle is its darkest, is under it."""


@dataclass(frozen=True)
class End:
    """A free end of a dark region."""

    way: Array
    """(W, 2) [px] from the end to where the line came in, pixel by pixel."""
    direction: Array
    """(2,) unit vector along the line, outward through the end."""
    depth: float
    """Shade of the region near this end [share of light]."""
    entered: bool
    """The way began at the rim."""
    beyond: float = 0.0
    """How far the dark goes on past this end, fainter than the line [px]: a tuft, a front."""
    width: float | None = None
    """Of the line where it is clear [px], where that was measured."""


def ends(
    region: DarkRegion,
    usable: Mask,
    near: NDArray | None = None,
    settings: TipSettings = TIP,
    standing: Mask | None = None,
) -> list[End]:
    """Free ends of a region, farthest from the rim first.

    Parameters
    ----------
    usable : of the whole frame; an end must be seen to be one, not vanish behind a wire.
    near : (2,) [px] where the tip is expected; lets a region without a rim count, its way then
        beginning at the place farthest from here.
    standing : of the whole frame: dark in the background itself, where the line may go on unseen.
    """
    rows, columns = np.nonzero(region.mask)
    corner = np.asarray(region.corner, dtype=float)
    places = np.column_stack([columns, rows]) + corner
    depth = float(np.quantile(region.shade[rows, columns], 0.8))
    half = _half_widths(region)
    graph = _graph(region, depth, half)
    sources = np.flatnonzero(region.rim[rows, columns])
    entered = sources.size > 0
    if not entered:
        if near is None:
            return []
        first = int(np.argmin(np.square(places - near).sum(axis=1)))
        reach = dijkstra(graph, directed=False, indices=first)
        sources = np.array([int(np.argmax(np.where(np.isfinite(reach), reach, -1.0)))])
    reach, before, _ = dijkstra(
        graph, directed=False, indices=sources, min_only=True, return_predecessors=True
    )
    reach = np.where(np.isfinite(reach), reach, -1.0).astype(np.float32)
    field = np.full(region.mask.shape, -1.0, dtype=np.float32)
    field[rows, columns] = reach
    square = np.ones((2 * settings.trace_apart + 1, 2 * settings.trace_apart + 1), np.uint8)
    top = np.asarray(cv2.dilate(field, square))[rows, columns]
    found: list[End] = []
    peaks = np.flatnonzero((reach >= top) & (reach > settings.trace_least_way))
    for node in peaks[np.argsort(-reach[peaks])]:
        steps = [node]
        while before[steps[-1]] >= 0:
            steps.append(before[steps[-1]])
        way = _to_axis(region, places[steps], half, depth, settings)
        if len(way) < settings.trace_least_way:
            continue
        direction = _outward(way, settings)
        if _is_free(region, (usable, standing), way, direction, settings):
            row, column = np.rint(way - corner).astype(int)[:, ::-1].T
            along, wide = region.shade[row, column], half.disc[row, column]
            crossing = _crossing(region, way, settings)
            end = _trimmed(way, along, wide, (entered, crossing), settings)
            if end is not None and region.black:
                end = replace(end, beyond=max(end.beyond, 1.0))
            if end is not None and _folded(region, end, standing, settings):
                continue
            if end is not None and all(_apart(end, other, settings) for other in found):
                found.append(end)
    return found


def _folded(region: DarkRegion, end: End, standing: Mask | None, settings: TipSettings) -> bool:
    """Whether two strands of the line meet at an end: a fold, or a crossing too near to it.

    Circles about an end of the line are cut by one strand, those about a fold by two, both behind.
    """
    place = end.way[0] - np.asarray(region.corner)
    wide = 1.5 * (end.width or 4.0)
    reach = int(settings.trace_fold[-1] + wide) + 3
    v, u = (int(x) for x in np.rint(place)[::-1])
    top, left = max(v - reach, 0), max(u - reach, 0)
    box = slice(top, v + reach + 1), slice(left, u + reach + 1)
    dark = region.shade[box] > settings.trace_fold_dark * end.depth
    if standing is not None:  # it may hide where the strands join
        low, right = region.corner[1] + top, region.corner[0] + left
        dark |= standing[low : low + dark.shape[0], right : right + dark.shape[1]]
    rows, columns = np.mgrid[: dark.shape[0], : dark.shape[1]]
    away = np.stack([columns + left, rows + top], axis=-1) - place
    far = np.hypot(away[..., 0], away[..., 1])
    ahead = away @ end.direction / np.maximum(far, 1.0)
    for number, radius in enumerate(settings.trace_fold):
        inside = dark & (far <= radius + wide + 1.0)
        labels = cv2.connectedComponents(inside.view(np.uint8))[1]
        nearest = np.unravel_index(int(np.where(inside, far, np.inf).argmin()), far.shape)
        ring = (labels == labels[nearest]) & (far > radius + wide - 1.0)
        count, arcs = cv2.connectedComponents(ring.view(np.uint8))
        seen = [float(ahead[arcs == k].mean()) for k in range(1, count)]
        behind = sum(a < settings.trace_fold_behind[number > 0] for a in seen)
        if behind == 2 if number else behind > 1:
            return True
    return False


def _apart(end: End, other: End, settings: TipSettings) -> bool:
    """Whether two ends are not two corners of one."""
    least = max(settings.trace_apart, other.width or 0.0)
    return bool(np.hypot(*(end.way[0] - other.way[0])) > least)


def way_in(region: DarkRegion) -> Array | None:
    """(W, 2) [px], from a region's place farthest from the rim to where it came in."""
    rows, columns = np.nonzero(region.mask)
    sources = np.flatnonzero(region.rim[rows, columns])
    if not sources.size:
        return None
    depth = float(np.quantile(region.shade[rows, columns], 0.8))
    reach, before, _ = dijkstra(
        _graph(region, depth, _half_widths(region)),
        directed=False,
        indices=sources,
        min_only=True,
        return_predecessors=True,
    )
    steps = [int(np.argmax(np.where(np.isfinite(reach), reach, -1.0)))]
    while before[steps[-1]] >= 0:
        steps.append(before[steps[-1]])
    return np.asarray(np.column_stack([columns, rows])[steps] + np.asarray(region.corner, float))


def _crossing(region: DarkRegion, way: Array, settings: TipSettings) -> int:
    """How far in [steps] a way (W, 2) [px] turns off where the line crosses itself, four arms
    meeting; its length where it does not. The way leaves out a loop there, and what it changes."""
    back = settings.trace_back
    if len(way) < 2 * back + 2:
        return len(way)
    out, into = way[: -2 * back] - way[back:-back], way[2 * back :] - way[back:-back]
    turn = (out * into).sum(axis=1) / (np.hypot(*out.T) * np.hypot(*into.T))
    place = int(turn.argmax())
    if turn[place] < settings.trace_corner:
        return len(way)
    row, column = np.rint(way - np.asarray(region.corner)).astype(int)[:, ::-1].T
    shade = region.shade[row, column]
    dark = region.mask & (region.shade > settings.track_shallow * np.median(shade))
    at = place + back // 2 + int(shade[place + back // 2 : place + 2 * back].argmax())
    inside = cv2.distanceTransform(dark.view(np.uint8), cv2.DIST_L2, 5)
    radius = settings.trace_fold[0] + 3.0 * float(np.median(inside[row, column]))
    # Where the line crosses itself at a slant, its arms part further out.
    ways = [arms(dark, np.array([column[at], row[at]]), k * radius) for k in (1.0, 1.5, 2.0)]
    return at if 4 in ways else len(way)


def _trimmed(
    way: Array, shade: NDArray, half: NDArray, known: tuple[bool, int], settings: TipSettings
) -> End | None:
    """The end of the line proper: where the way grows faint, or wide, for good.

    Walking out along the line, its own shade and half width over the last stretch are the
    measure; a tuft's strands fan out and are fainter, and so is a front that joins the tip.

    known : whether the way began at the rim, and how far in the line crosses itself [steps].
    """
    entered, crossing = known
    first = max(len(way) - crossing, 0)
    out, broad = shade[::-1].astype(float), half[::-1].astype(float)
    # A wide line that comes in at a slant is cut short on one side, and looks thinner there.
    near = int(2.0 * np.median(broad[: 2 * settings.trace_stretch]))
    if near > 2.0 * WIDE and len(out) > 2 * near:
        broad[:near] = np.maximum(broad[:near], np.median(broad[near : 2 * near]))
    smoothed = np.convolve(np.pad(out, 1, mode="edge"), np.full(3, 1.0 / 3.0), mode="valid")
    last = len(out)
    usual, widest = _usual(out, broad, first, settings)
    run = settings.trace_faint_run
    narrowest = minimum_filter1d(broad, run, origin=-(run // 2), mode="nearest")
    darkest = maximum_filter1d(smoothed, run, origin=-(run // 2), mode="nearest")
    faint = darkest < settings.trace_faint * usual
    over = (narrowest > widest) | faint
    over[: first + int(settings.trace_least_way)] = False
    while over.any():
        last = int(np.argmax(over))
        narrow = broad[last:] < widest[last]
        again = np.convolve(
            (smoothed[last:] > settings.trace_again * usual[last]) & narrow,
            np.ones(settings.trace_again_run),
        )
        goes_on = np.flatnonzero(again >= settings.trace_again_run)
        if faint[last]:
            if goes_on.size:
                return None  # the line goes on: something only lies across it
            break
        if not goes_on.size:
            if (narrow & (smoothed[last:] > settings.trace_beyond * usual[last])).sum() > 2:
                return None  # a stub beyond something as dark as the line
            break
        # Something as dark lies across, the line itself where it crosses: go on beyond it.
        over[: last + int(goes_on[0]) + 1] = False
        last = len(out)
    cut = len(out) - last
    way, shade = way[cut:], shade[cut:]
    if len(way) < settings.trace_least_way:
        return None
    direction = way[0] - way[min(settings.trace_back, len(way) - 1)]
    beyond = float(cut - settings.trace_faint_run) if cut > settings.trace_faint_run else 0.0
    depth = float(np.quantile(shade[3:30], 0.7))
    # Beyond its own half width, where the disc is that of the line and not of its end.
    radius = float(np.median(half[cut:][2 : 2 + settings.trace_stretch]))
    width = 2.0 * radius if radius > WIDE else None
    return End(way, direction / np.hypot(*direction), depth, entered, beyond, width)


def _usual(out: Array, broad: Array, first: int, settings: TipSettings) -> tuple[Array, Array]:
    """At each place (n,) of a way, what the stretch before it, from `first` on, lets expect: shade,
    and the half width [px] at most.

    The shade is the stretch's median, or less where the line tapers: a thin line is blurred over
    more than its width, so its shade falls. Places with less than the least way before them are 0.
    """
    usual, wide = np.zeros(len(out)), np.zeros(len(out))
    at = np.arange(first + int(settings.trace_least_way), len(out))
    if at.size:
        begin = np.maximum(at - settings.trace_stretch, first)
        half = begin + (at - begin) // 2
        falling = 1.5 * _medians(out, half, at) - 0.5 * _medians(out, begin, half)
        usual[at] = np.minimum(_medians(out, begin, at), falling)
        wide[at] = _medians(broad, begin, at)
    return usual, settings.trace_wider * wide + settings.trace_wider_by


def _medians(values: Array, begin: Index, end: Index) -> Array:
    """Medians (R,) of values (n,) from each `begin` (R,) to before its `end` (R,)."""
    count = end - begin
    place = begin[:, None] + np.arange(int(count.max()))
    rows = np.where(place < end[:, None], values[np.minimum(place, len(values) - 1)], np.inf)
    rows.sort(axis=1)
    row = np.arange(count.size)
    return np.asarray(0.5 * (rows[row, (count - 1) // 2] + rows[row, count // 2]))


@dataclass(frozen=True)
class _HalfWidths:
    """How wide a region is about each of its pixels, (h, w) [px]."""

    distance: NDArray[np.float32]
    """To the region's edge."""
    disc: NDArray[np.float32]
    """Radius of the greatest disc in the region that covers the pixel: the same at a wide line's
    side and in its middle."""

    @property
    def wide(self) -> Mask:
        """(h, w) where the middle of the line is not just where it is darkest."""
        return self.disc > WIDE


def _half_widths(region: DarkRegion) -> _HalfWidths:
    """Half widths of a region; one cut by the picture's edge is as wide there as it looks."""
    padded = np.pad(region.mask.astype(np.uint8), 1, mode="edge")
    bare = np.asarray(cv2.distanceTransform(padded, cv2.DIST_L2, 5))[1:-1, 1:-1]
    distance = np.where(region.mask, np.maximum(bare, 0.5), 0.0).astype(np.float32)
    disc = distance.copy()
    for radius in range(2, int(distance.max()) + 1):
        size = 2 * radius - 1
        shape = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        inner = np.where(distance >= radius, distance, np.float32(0.0))
        np.maximum(disc, np.asarray(cv2.dilate(inner, shape)), out=disc)
    return _HalfWidths(distance, np.maximum(disc, np.float32(0.5)))


def _outward(way: Array, settings: TipSettings) -> Array:
    """(2,) unit vector along the first steps of a way, outward."""
    direction = way[0] - way[min(settings.trace_back, len(way) - 1)]
    return np.asarray(direction / np.hypot(*direction))


def _to_axis(
    region: DarkRegion, way: Array, half: _HalfWidths, depth: float, settings: TipSettings
) -> Array:
    """A way (W, 2) [px] whose end lies on the axis of a wide line, not in a corner of its end."""
    corner = np.asarray(region.corner)
    row, column = np.rint(way - corner).astype(int)[:, ::-1].T
    disc, distance = half.disc[row, column], half.distance[row, column]
    radius = float(np.median(disc[: 2 * settings.trace_back]))
    if radius <= WIDE:
        return way
    ridge = np.flatnonzero(distance > 0.8 * disc)
    if not ridge.size or len(way) - ridge[0] < settings.trace_least_way:
        return way
    last, way = way[0], way[ridge[0] :]
    back = way[min(max(settings.trace_back, int(2.0 * radius)), len(way) - 1)]
    outward = (way[0] - back) / np.hypot(*(way[0] - back))
    if (last - way[0]) @ outward < 0.4 * np.hypot(*(last - way[0])) - 1.0:
        return way[:0]  # a bulge of the line's side
    height, width = region.mask.shape
    steps = way[0] + np.arange(1, int(2.0 * radius) + 6)[:, None] * outward
    column, row = np.rint(steps - corner).astype(int).T
    inside = (row >= 0) & (row < height) & (column >= 0) & (column < width)
    row, column = row.clip(0, height - 1), column.clip(0, width - 1)
    dark = inside & region.mask[row, column] & (region.shade[row, column] > 0.5 * depth)
    count = int(np.logical_and.accumulate(dark).sum())
    return np.concatenate([steps[:count][::-1], way])


def _graph(region: DarkRegion, depth: float, half: _HalfWidths) -> csr_matrix:
    """Neighbouring pixels of the region, joined at a cost that keeps the way in its middle."""
    mask = region.mask
    number = np.full(mask.shape, -1, dtype=np.int32)
    number[mask] = np.arange(np.count_nonzero(mask))
    cost = 1.0 + 3.0 * np.square(np.clip(1.0 - region.shade / depth, 0.0, 1.0))
    cost += np.where(half.wide, 4.0 * np.square(1.0 - half.distance / half.disc), 0.0)
    ways = [
        (np.s_[:, :-1], np.s_[:, 1:], 1.0),
        (np.s_[:-1, :], np.s_[1:, :], 1.0),
        (np.s_[:-1, :-1], np.s_[1:, 1:], np.sqrt(2.0)),
        (np.s_[:-1, 1:], np.s_[1:, :-1], np.sqrt(2.0)),
    ]
    first, second, weight = [], [], []
    for a, b, step in ways:
        both = mask[a] & mask[b]
        first.append(number[a][both])
        second.append(number[b][both])
        weight.append(step * 0.5 * (cost[a][both] + cost[b][both]))
    size = int(np.count_nonzero(mask))
    links = (np.concatenate(first), np.concatenate(second))
    return csr_matrix((np.concatenate(weight), links), shape=(size, size))


def _is_free(
    region: DarkRegion,
    scene: tuple[Mask, Mask | None],
    way: Array,
    direction: Array,
    settings: TipSettings,
) -> bool:
    """Whether the picture is seen to be bright past the end of a way, over a fan of directions."""
    angle = np.arctan2(direction[1], direction[0]) + np.radians(settings.trace_fan)
    fan = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    past = np.array(settings.trace_black_past if region.black else settings.trace_past)
    spots = np.rint(way[0] + fan[:, None] * past[None, :, None]).astype(int)
    usable, standing = scene
    height, width = usable.shape
    if not ((spots >= 0) & (spots < [width, height])).all():
        return False
    if usable[spots[..., 1], spots[..., 0]].mean() < settings.trace_seen:
        return False
    # A part of the line that stands still is in the background: it may go on there.
    if standing is not None and standing[spots[..., 1], spots[..., 0]].all(axis=1).any():
        return False
    corner = np.asarray(region.corner)
    spots = spots - corner
    height, width = region.mask.shape
    inside = ((spots >= 0) & (spots < [width, height])).all(axis=-1)
    column, row = np.where(inside, spots[..., 0], 0), np.where(inside, spots[..., 1], 0)
    # Outside the region's box nothing was dark.
    counted = inside if region.black else inside & region.mask[row, column]
    shade = np.where(counted, region.shade[row, column], 0.0)
    before = np.rint(way[2 : settings.trace_back] - corner).astype(int)
    here = float(region.shade[before[:, 1], before[:, 0]].mean())
    limit = settings.trace_faint if region.black else settings.trace_beyond
    return float(shade.mean(axis=1).max()) < limit * here
