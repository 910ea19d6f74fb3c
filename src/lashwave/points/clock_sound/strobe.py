"""Strobe flashes in the frames of a fast camera: when the picture as a whole is brighter.

The event covers a small part of the picture, so the middle half of the pixels' changes from the
record's own picture, averaged, hardly hears it (a trimmed mean: Huber and Ronchetti, Robust
Statistics, 2nd ed. 2009, ch. 3).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from lashwave.points.background import spread_frames
from lashwave.points.clock_sound.clock_settings import FLASHES, FlashSettings
from lashwave.quantities.arrays import Array
from lashwave.quantities.clock_fit import Flashes
from lashwave.quantities.images import Frames


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
    bright: Array, period: float, exposure: float = 1.0, settings: FlashSettings = FLASHES
) -> Flashes:
    """Flashes in a record's brightness.

    Parameters
    ----------
    bright : (frames,) [grey levels] as `brightness` gives it.
    period : of the strobe, roughly [frames]; a flash lasts less than half of it.
    exposure : share of a frame's period.

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
    rows = [_middle(excess, a, b, noise, exposure, settings) for a, b in groups]
    if not rows:
        return _none()
    middle, half, sd, peak = (np.array(c, dtype=float) for c in zip(*rows, strict=True))
    frame = np.array([a + np.argmax(excess[a : b + 1]) for a, b in groups], dtype=np.int64)
    long = np.array([b - a > 1 for a, b in groups])
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


def _middle(
    excess: Array, first: int, last: int, noise: float, exposure: float, settings: FlashSettings
) -> tuple[float, float, float, float]:
    """Middle, half width of what it may be, sd [frames], and brightness of one flash."""
    if last - first < 2:
        return 0.5 * (first + last), 0.5, 0.0, float(excess[first : last + 1].max())
    full = float(np.median(excess[first + 1 : last]))
    noise = noise / full
    begin, begin_half, begin_sd = _edge(excess / full, first, -1, noise, exposure, settings)
    end, end_half, end_sd = _edge(excess / full, last, 1, noise, exposure, settings)
    # Of two edges only known between exposures, the middle's reach is the mean of theirs.
    half = 0.5 * (begin_half + end_half)
    return 0.5 * (begin + end), half, 0.5 * float(np.hypot(begin_sd, end_sd)), full


def _edge(
    share: Array, frame: int, way: int, noise: float, exposure: float, settings: FlashSettings
) -> tuple[float, float, float]:
    """Where a flash begins (way -1) or ends (+1), half width and sd of that [frames].

    share : brightness over that of a full frame; noise : its sd. Partly lit may be the outermost
    bright frame, or the one beyond it, which was too dim to count.
    """
    sd = float(np.sqrt(2.0) * noise * exposure)
    for candidate in (frame + way, frame):
        if not 0 <= candidate < share.size:
            continue
        lit = float(share[candidate])
        if max(settings.edge, 3.0 * noise) < lit < 1.0 - max(settings.edge, 3.0 * noise):
            return candidate + way * (lit - 0.5) * exposure, 0.0, sd
    # The edge is between the exposures of the last lit and the first dark frame.
    return frame + 0.5 * way, 0.5 * max(1.0 - exposure, 2.0 * max(settings.edge, 3.0 * noise)), 0.0
