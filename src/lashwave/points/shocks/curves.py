"""Curves in one image: edgels of steepest change, sub-pixel, linked in order.

An edgel is where the grey level changes fastest along its own gradient (Canny, IEEE Trans.
Pattern Anal. Mach. Intell. 8 (1986) 679: smoothing, non-maximum suppression, hysteresis), placed
between pixels by the parabola through the slope at three points of that direction. A thin pair
of light and dark has its steepest change between the two.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.signal import savgol_filter
from scipy.spatial import cKDTree

from lashwave.points.shocks.shock_settings import CURVES, CurveSettings
from lashwave.quantities import Array, Index, Mask


@dataclass(frozen=True)
class FrontCurve:
    """Points in order along one curve of one image; the bright side is where the normal points."""

    uv: Array
    """(P, 2) [px]"""
    normal: Array
    """(P, 2) unit"""
    sd: Array
    """(P,) of the steepest place, along the normal [px]"""
    stand_off: Array
    """(P,) standard deviation of the front itself about that place [px], shared by neighbours and
    from frame to frame: a front shows as a band of light and dark, and lies somewhere in it."""

    @property
    def tangent(self) -> Array:
        """(P, 2) unit vectors along the curve, in the order of the points."""
        return np.column_stack([-self.normal[:, 1], self.normal[:, 0]])


@dataclass(frozen=True)
class _Edgels:
    uv: Array
    normal: Array
    sd: Array
    strength: Array
    """In standard deviations of the empty field."""


def find_curves(
    image: NDArray[np.generic], settings: CurveSettings = CURVES, hidden: Mask | None = None
) -> list[FrontCurve]:
    """Curves of steepest grey level in one image, longest first.

    Parameters
    ----------
    image : (H, W) [1], any grey scale.
    hidden : (H, W), true where nothing is to be found (bodies); what the smoothing smears out of
        them is left out too.

    Returns
    -------
    curves : their points in [px].
    """
    edgels = _edgels(np.asarray(image, dtype=np.float32), settings, hidden)
    if edgels.uv.shape[0] < 3:
        return []
    curves = []
    for chain in _chains(edgels, settings.gap):
        if edgels.strength[chain].max() < settings.high:
            continue
        curves += _parted(_resampled(edgels, chain, settings), settings)
    return sorted(_in_bands(curves, settings), key=lambda c: -c.uv.shape[0])


def _in_bands(curves: list[FrontCurve], settings: CurveSettings) -> list[FrontCurve]:
    """Curves that know how wide the band is whose edge each point is: to the nearest parallel edge.

    The front is taken to stand off by half of that (sd); where there is no other edge by half of
    `apart`, under which a weaker edge would not have been kept.
    """
    if not curves:
        return []
    uv, normal = (np.concatenate([getattr(c, n) for c in curves]) for n in ("uv", "normal"))
    near = cKDTree(uv).query_pairs(settings.band, output_type="ndarray")
    first, second = np.concatenate([near, near[:, ::-1]]).T
    step = uv[second] - uv[first]
    across = np.abs((step * normal[first]).sum(axis=1))
    along = np.abs(step[:, 1] * normal[first, 0] - step[:, 0] * normal[first, 1])
    parallel = np.abs((normal[first] * normal[second]).sum(axis=1)) > settings.parallel
    parallel &= (along < settings.spacing) & (across > 0.5 * settings.apart)
    width = np.full(len(uv), np.inf)
    np.minimum.at(width, first[parallel], across[parallel])
    width = np.where(np.isfinite(width), np.maximum(width, settings.apart), settings.apart)
    parts = np.split(0.5 * width, np.cumsum([c.sd.size for c in curves])[:-1])
    return [replace(c, stand_off=part) for c, part in zip(curves, parts, strict=True)]


def _smoothed(image: NDArray[np.float32], scale: float, u: int, v: int) -> NDArray[np.float32]:
    """Derivative of order u along rows and v along columns of the image, Gaussian-smoothed."""
    pulse = np.zeros(2 * int(np.ceil(4 * scale)) + 1)
    pulse[pulse.size // 2] = 1.0
    # sepFilter2D correlates, so kernels are turned round.
    across, down = (ndimage.gaussian_filter1d(pulse, scale, order=n)[::-1] for n in (u, v))
    return np.asarray(cv2.sepFilter2D(image, cv2.CV_32F, across, down))


def _robust_sd(values: NDArray[np.floating]) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _edgels(image: NDArray[np.float32], settings: CurveSettings, hidden: Mask | None) -> _Edgels:
    """Edgels by non-maximum suppression over `apart`, placed by a parabola."""
    scale = settings.scale
    gu = _smoothed(image, scale, 1, 0)
    gv = _smoothed(image, scale, 0, 1)
    slope = np.hypot(gu, gv)
    seen = np.zeros(image.shape, dtype=bool)
    border = int(np.ceil(2 * scale)) + 1
    seen[border:-border, border:-border] = True
    if hidden is not None and hidden.any():
        reach = 2 * int(np.ceil(3 * scale)) + 1
        seen &= ~ndimage.maximum_filter(hidden, reach)
    if not seen.any():
        return _Edgels(np.empty((0, 2)), np.empty((0, 2)), np.empty(0), np.empty(0))
    field = seen[::2, ::2]
    noise = max(*(_robust_sd(g[::2, ::2][field]) for g in (gu, gv)), 1e-12)
    v, u = np.nonzero(seen & (slope > settings.low * noise))
    place = np.column_stack([u, v]).astype(float)
    here = slope[v, u].astype(float)
    normal = np.column_stack([gu[v, u], gv[v, u]]) / here[:, None]

    def sampled(picture: NDArray[np.float32], points: Array) -> Array:
        return np.asarray(
            ndimage.map_coordinates(picture, points[:, ::-1].T, order=1, mode="nearest"),
            dtype=float,
        )

    keep = np.ones(here.size, dtype=bool)
    for step in np.arange(1.0, max(settings.apart, 1.0) + 0.5):
        for side in (-1.0, 1.0):
            live = np.flatnonzero(keep)
            keep[live] = here[live] >= sampled(slope, place[live] + side * step * normal[live])
    place, normal, here = place[keep], normal[keep], here[keep]
    ahead, behind = sampled(slope, place + normal), sampled(slope, place - normal)
    bend = np.minimum(ahead - 2 * here + behind, -1e-12)
    shift = 0.5 * (behind - ahead) / bend
    inside = (np.abs(shift[:, None] * normal) <= 0.6).all(axis=1)
    second = _smoothed(image, scale, 2, 0)
    # Error of the place: noise of the second derivative over the third, which is `bend` here.
    sd = np.hypot(_robust_sd(second[::2, ::2][field]) / np.abs(bend), settings.pixel_sd)
    uv = place + shift[:, None] * normal
    return _single(_Edgels(uv[inside], normal[inside], sd[inside], here[inside] / noise))


def _single(edgels: _Edgels) -> _Edgels:
    """Without the weaker of two edgels that neighbouring pixels place within 0.7 px."""
    pairs = cKDTree(edgels.uv).query_pairs(0.7, output_type="ndarray")
    alike = (edgels.normal[pairs[:, 0]] * edgels.normal[pairs[:, 1]]).sum(axis=1) > 0.5
    first, second = pairs[alike].T
    weaker = np.where(edgels.strength[first] < edgels.strength[second], first, second)
    keep = np.ones(edgels.sd.size, dtype=bool)
    keep[weaker] = False
    return _Edgels(edgels.uv[keep], edgels.normal[keep], edgels.sd[keep], edgels.strength[keep])


def _links(
    uv: Array, normal: Array, starts: Index, ends: Index, reach: float, bend: float
) -> tuple[Index, Index]:
    """Mutual best continuations from `ends` to `starts` (indices of edgels) within `reach` px.

    bend : least cosine between the two normals.
    """
    pairs = cKDTree(uv[ends]).query_ball_tree(cKDTree(uv[starts]), reach)
    a = ends[np.repeat(np.arange(ends.size), [len(p) for p in pairs])]
    b = starts[np.fromiter((q for p in pairs for q in p), dtype=np.intp, count=a.size)]
    step = uv[b] - uv[a]
    mean = normal[a] + normal[b]
    mean /= np.maximum(np.linalg.norm(mean, axis=1), 1e-9)[:, None]
    along = -mean[:, 1] * step[:, 0] + mean[:, 0] * step[:, 1]
    across = np.abs((mean * step).sum(axis=1))
    alike = (normal[a] * normal[b]).sum(axis=1)
    good = (a != b) & (along > 0.3) & (across <= 0.3 * along + 0.3) & (alike > bend)
    a, b, cost = a[good], b[good], (along + 3 * across)[good]
    order = np.argsort(cost, kind="stable")
    a, b = a[order], b[order]
    best_of_a = np.unique(a, return_index=True)[1]
    best_of_b = np.unique(b, return_index=True)[1]
    mutual = np.intersect1d(best_of_a, best_of_b)
    return a[mutual], b[mutual]


def _chains(edgels: _Edgels, gap: float) -> list[Index]:
    """Edgels in order along each curve: neighbours first, then ends across gaps."""
    count = edgels.uv.shape[0]
    after = np.full(count, -1, dtype=np.intp)
    everything = np.arange(count)
    a, b = _links(edgels.uv, edgels.normal, everything, everything, 2.6, 0.8)
    after[a] = b
    chains = [c for c in _walk(after) if c.size >= 4]
    if not chains:
        return []
    for reach in (0.5 * gap, gap):
        ends = np.array([c[-1] for c in chains])
        starts = np.array([c[0] for c in chains])
        a, b = _links(edgels.uv, edgels.normal, starts, ends, reach, 0.9)
        fronts_through = np.full(len(chains), -1, dtype=np.intp)
        at_end = {int(e): i for i, e in enumerate(ends)}
        at_start = {int(s): i for i, s in enumerate(starts)}
        for i, j in zip(a, b, strict=True):
            if at_end[int(i)] != at_start[int(j)]:
                fronts_through[at_end[int(i)]] = at_start[int(j)]
        chains = [np.concatenate([chains[i] for i in group]) for group in _walk(fronts_through)]
    return chains


def _walk(after: Index) -> list[Index]:
    """Paths of a graph in which every node has at most one successor and one forerunner."""
    count = after.size
    headed = np.zeros(count, dtype=bool)
    headed[after[after >= 0]] = True
    seen = np.zeros(count, dtype=bool)
    paths = []
    for first in [*np.flatnonzero(~headed), *np.flatnonzero(headed)]:  # then closed loops
        path = []
        node = int(first)
        while node >= 0 and not seen[node]:
            seen[node] = True
            path.append(node)
            node = int(after[node])
        if path:
            paths.append(np.asarray(path, dtype=np.intp))
    return paths


def _parted(curve: FrontCurve, settings: CurveSettings) -> list[FrontCurve]:
    """A curve's pieces between its corners, those that are long enough; each with its sd."""
    normal = curve.normal
    turn = np.zeros(curve.sd.size)
    turn[1:-2] = np.arccos(np.clip((normal[:-3] * normal[3:]).sum(axis=1), -1.0, 1.0))
    peak = turn >= np.maximum(np.roll(turn, 1), np.roll(turn, -1))
    cuts = np.flatnonzero(peak & (turn > settings.corner)) + 1
    least = max(3, int(settings.length / settings.spacing))
    found = []
    for part in np.split(np.arange(curve.sd.size), cuts):
        if part.size >= least:
            uv, across = _by_parabolas(curve.uv[part], normal[part], settings)
            sd = curve.sd[part] * _excess(uv, across, curve.sd[part])
            found.append(FrontCurve(uv, across, sd, curve.stand_off[part]))
    return found


def _by_parabolas(uv: Array, normal: Array, settings: CurveSettings) -> tuple[Array, Array]:
    """Points with the bias of their curvature taken out, and normals of the curve itself.

    From parabolas through seven points. Smoothing moves any profile toward the centre of a
    circle of radius R by scale^2 / (2 R) (the 1/R term of the diffusion equation), and the chord
    of a bin by spacing^2 / (24 R): 0.1 px in all at R = 35 px. The slope's own direction scatters
    by some 0.04 rad in noise, which would lengthen a distance along it by half its square, 0.1 %.
    """
    if uv.shape[0] < 7:
        return uv, normal
    along, bend = (savgol_filter(uv, 7, 2, deriv=n, axis=0, mode="interp") for n in (1, 2))
    squared = np.maximum((along**2).sum(axis=1), 1e-9)
    across = np.column_stack([along[:, 1], -along[:, 0]]) / np.sqrt(squared)[:, None]
    across *= np.sign((across * normal).sum(axis=1, keepdims=True))
    curvature = (bend * across).sum(axis=1) / squared
    inward = (0.5 * settings.scale**2 + settings.spacing**2 / 24.0) * curvature
    return uv - inward[:, None] * across, across


def _resampled(edgels: _Edgels, chain: Index, settings: CurveSettings) -> FrontCurve:
    """Means over bins of `spacing` along the chain.

    The standard deviation is not divided by the bin's count: the smoothing ties its edgels.
    """
    uv = edgels.uv[chain]
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(uv, axis=0), axis=1))])
    bins = np.floor(length / settings.spacing).astype(int)
    _, bins, count = np.unique(bins, return_inverse=True, return_counts=True)

    def mean(values: Array) -> Array:
        return np.asarray(np.bincount(bins, values) / count)

    place = np.column_stack([mean(uv[:, 0]), mean(uv[:, 1])])
    normal = np.column_stack([mean(edgels.normal[chain, i]) for i in (0, 1)])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    return FrontCurve(
        place, normal, mean(edgels.sd[chain]), np.full(count.size, 0.5 * settings.apart)
    )


def _excess(uv: Array, normal: Array, sd: Array, half: int = 3) -> float:
    """How far points scatter beyond their sd about parabolas of seven neighbours, at least 1."""
    width = 2 * half + 1
    if uv.shape[0] < width + 2:
        return 1.0
    x = np.arange(-half, half + 1.0)
    fit = np.linalg.pinv(np.column_stack([np.ones(width), x, x * x]))[0]
    left = -fit
    left[half] += 1.0
    windows = np.lib.stride_tricks.sliding_window_view(uv, width, axis=0)  # (P', 2, width)
    residual = ((windows @ left) * normal[half:-half]).sum(axis=1)
    expected = np.sqrt((left**2).sum()) * sd[half:-half]
    return max(1.0, 1.4826 * float(np.median(np.abs(residual) / expected)))
