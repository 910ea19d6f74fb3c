"""Strobe flashes in the frames of a fast camera: when the picture as a whole is brighter.

The event covers a small part of the picture, so the middle half of the pixels' changes from the
record's own picture, averaged, hardly hears it (a trimmed mean: Huber and Ronchetti, Robust
Statistics, 2nd ed. 2009, ch. 3).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from lashwave.points.background import spread_frames
from lashwave.points.clock_sound.clock_settings import FLASHES, FlashSettings
from lashwave.quantities import Array, Flashes, Frames

QUARTZ = 5e-5
"""Relative deviation of two quartz clocks' rates (common practice)."""


def brightness(frames: Frames, settings: FlashSettings = FLASHES) -> Array:
    """How much brighter each frame is than the record's picture, (frames,) [grey levels].

    One pass, a few thousand pixels a frame; the picture is the median of up to 32 frames.
    """
    width, height = frames.size
    step = max(1, int(np.sqrt(width * height / settings.pixels)))
    grid = (slice(step // 2, None, step), slice(step // 2, None, step))
    sample = [frames[int(f)][grid] for f in spread_frames(len(frames), sample=32)]
    picture = np.median(np.stack(sample).astype(np.float32), axis=0)
    low, high = picture.size // 4, picture.size - picture.size // 4
    found = np.empty(len(frames))
    for number, image in enumerate(frames):
        change = (image[grid] - picture).ravel()
        change.partition((low, high - 1))
        found[number] = change[low:high].mean(dtype=float)
    return found


def find_flashes(
    bright: Array,
    period: float,
    exposure: float = 1.0,
    drift_sd: float = QUARTZ,
    settings: FlashSettings = FLASHES,
) -> Flashes:
    """Flashes in a record's brightness.

    Parameters
    ----------
    bright : (frames,) [grey levels] as `brightness` gives it.
    period : of the strobe, roughly [frames]; a flash lasts less than half of it.
    exposure : share of a frame's period.
    drift_sd : standard deviation of the two clocks' rate against each other [1].

    A flash seen in one frame has its middle within half a frame of it; seen in two, within half
    a frame of their boundary. One that lasts longer begins where a frame is partly lit; where
    none is, the edge lies between two exposures, evenly likely. The picture of a flash that
    falls wholly between two exposures is dark: it has no row.
    """
    bright = np.asarray(bright, dtype=float)
    # Lamp and event change slowly beside a flash; the median over two periods follows them.
    window = 2 * max(round(period), 2) + 1
    excess = bright - median_filter(bright, size=window, mode="nearest")
    noise = 1.4826 * float(np.median(np.abs(excess - np.median(excess))))
    noise = max(noise, 1e-3)
    lit = excess > settings.sure * noise
    if not lit.any():
        return _none()
    groups = _groups(lit)
    peaks = np.array([excess[a : b + 1].max() for a, b in groups])
    usual = float(np.median(peaks[peaks > 0.5 * np.quantile(peaks, 0.9)]))
    limit = max(settings.sure * noise, settings.part * usual)
    groups = [g for g in _groups(excess > limit) if g[1] - g[0] + 1 <= max(0.5 * period, 1.0)]
    long = np.array([b - a > 1 for a, b in groups])
    edges = [_edges(excess, a, b, noise, exposure, settings) for a, b in groups if b - a > 1]
    rise = _rise(edges, period, exposure, drift_sd)
    seen = iter(edges)
    rows = [
        _middle(next(seen), rise) if b - a > 1
        else (0.5 * (a + b), 0.5, 0.0, float(excess[a : b + 1].max()))
        for a, b in groups
    ]  # fmt: skip
    if not rows:
        return _none()
    middle, half, sd, peak = (np.array(c, dtype=float) for c in zip(*rows, strict=True))
    frame = np.array([a + np.argmax(excess[a : b + 1]) for a, b in groups], dtype=np.int64)
    frame = np.where(long, np.rint(middle).astype(np.int64), frame)
    return Flashes(frame, middle, half, sd, peak)


def _none() -> Flashes:
    empty = np.empty(0)
    return Flashes(np.empty(0, dtype=np.int64), empty, empty, empty, empty)


def _groups(lit: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last frame of each run of lit ones."""
    change = np.diff(np.concatenate([[0], lit.astype(np.int8), [0]]))
    first, last = np.flatnonzero(change == 1), np.flatnonzero(change == -1) - 1
    return list(zip(first.tolist(), last.tolist(), strict=True))


class _Edges(NamedTuple):
    """Where a flash begins and ends: at half its height, place + lean x rise, within half."""

    place: tuple[float, float]
    """[frames]"""
    lean: tuple[float, float]
    """Share by which a partly lit frame is nearer the flash than its edge; 0 where none is."""
    half: tuple[float, float]
    """Of what the place may be [frames]; 0 where a frame is partly lit."""
    full: float
    """Brightness of a frame that is wholly lit [grey levels]."""
    noise: float
    """Standard deviation of a frame's brightness, over that of a full one."""


def _edges(
    excess: Array, first: int, last: int, noise: float, exposure: float, settings: FlashSettings
) -> _Edges:
    """Both edges of a flash that lights the frames first to last.

    Partly lit may be the outermost bright frame, or the one beyond it, which was too dim to count.
    """
    full = float(np.median(excess[first + 1 : last]))
    least = max(settings.edge, 3.0 * noise / full)
    place, lean, half = [0.0, 0.0], [0.0, 0.0], [0.0, 0.0]
    for side, frame, way in ((0, first, -1), (1, last, 1)):
        inside = [c for c in (frame + way, frame) if 0 <= c < excess.size]
        partly = [c for c in inside if least < excess[c] / full < 1.0 - least]
        if partly:
            place[side] = float(partly[0])
            lean[side] = way * (float(excess[partly[0]]) / full - 0.5)
        else:  # between the exposures of the last lit and the first dark frame
            place[side] = frame + 0.5 * way
            half[side] = 0.5 * max(1.0 - exposure, 2.0 * least)
    return _Edges((place[0], place[1]), (lean[0], lean[1]), (half[0], half[1]), full, noise / full)


def _rise(
    edges: list[_Edges], period: float, exposure: float, drift_sd: float
) -> tuple[float, float]:
    """Time in which the light of all flashes rises or falls, and half width of it [frames].

    It lies between an exposure and one frame. Where the flashes' phases differ, partly lit frames
    say more: edges keep the rhythm, and those that do not show what the rise must be.
    """
    low = min(exposure, 1.0)
    rows, late, noise = [], [], 0.0
    for side in (0, 1):
        partly = [e for e in edges if e.half[side] == 0.0]
        place = np.array([e.place[side] for e in partly])
        number = np.concatenate([[0.0], np.cumsum(np.rint(np.diff(place) / period))])
        for e, at, n in zip(partly, place, number, strict=False):
            rows.append([side == 0, side == 1, period * n, -e.lean[side]])
            late.append(at - period * n)
            noise = max(noise, e.noise)
    middle, spread = 0.5 * (1.0 + low), 0.5 * (1.0 - low)
    if len(rows) < 5 or spread == 0.0:
        return middle, spread
    matrix = np.array(rows, dtype=float)
    each_side = [matrix[matrix[:, side] == 1.0, 3] for side in (0, 1)]
    if max((float(lean.std()) for lean in each_side if lean.size), default=0.0) < 5.0 * noise:
        return middle, spread  # all phases are alike: a slope would be of the noise
    # The prior of the rise is that of an even chance over its range. A rate that is not as stated
    # passes for a rise where the phases sweep slowly.
    aim = np.array(late) - matrix[:, 3] * middle
    origin = aim[0]
    prior = np.diag([1e-6, 1e-6, 1.0 / max(drift_sd, 1e-9) ** 2, 3.0 / spread**2])
    square = noise**2
    for _ in range(3):  # the scatter is measured: no lamp's light rises quite evenly
        cov = np.linalg.inv(matrix.T @ matrix / square + prior)
        best = cov @ (matrix.T @ (aim - origin) / square)
        off = aim - origin - matrix @ best
        square = max(noise**2, float(off @ off) / (len(rows) - 4))
    reach = 3.0 * float(np.sqrt(cov[3, 3]))
    least, most = np.clip(middle + best[3] + np.array([-reach, reach]), low, 1.0)
    return 0.5 * float(least + most), 0.5 * float(most - least)


def _middle(edges: _Edges, rise: tuple[float, float]) -> tuple[float, float, float, float]:
    """Middle, half width of what it may be, sd [frames], and brightness of one flash.

    Two edges lit by equal shares give the middle whatever the rise is.
    """
    lean = 0.5 * sum(edges.lean)
    # Of two edges only known between exposures, the middle's reach is the mean of theirs.
    half = 0.5 * sum(edges.half) + abs(lean) * rise[1]
    sd = float(np.sqrt(0.5 * edges.half.count(0.0))) * edges.noise * rise[0]
    return 0.5 * sum(edges.place) + lean * rise[0], half, sd, edges.full
