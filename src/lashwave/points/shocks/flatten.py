"""What stands still in the images of one camera taken away: light, wires, dust, solid bodies.

Two ways, for two kinds of record. Where fronts cross the view (a crack at 20 kHz) the temporal
median is the empty picture, wires and dust included, and the difference from it is the event.
Where a front only wanders about one place (a shock in a passage) the median would keep it, so
only bodies and axis-parallel wires are taken away, by their shape.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lashwave.quantities.arrays import Mask, Single
from lashwave.quantities.images import Frames

MOST_FRAMES = 25
"""Frames held at once for a median: memory does not grow with the record."""


def still_picture(frames: Frames, most: int = MOST_FRAMES) -> Single:
    """Temporal median of up to `most` frames spread evenly over the record, (height, width).

    Each frame is first scaled to the brightness of the first, so that a strobe flash does not
    count. What covers a pixel in more than half of the frames stays in.
    """
    chosen = np.unique(np.linspace(0, len(frames) - 1, min(most, len(frames))).round().astype(int))
    stack = np.stack([np.asarray(frames[int(f)], dtype=np.float32) for f in chosen])
    level = np.median(stack[:, ::4, ::4], axis=(1, 2))
    level = np.where(level > 0.0, level, 1.0)
    stack *= (level[0] / level)[:, None, None].astype(np.float32)
    return np.asarray(np.median(stack, axis=0), dtype=np.float32)


def even_light(still: Single, smooth: float = 25.0) -> Single:
    """The still picture smoothed over `smooth` [px], at least a tenth of its brightest."""
    light = cv2.GaussianBlur(still, (0, 0), smooth)
    return np.asarray(np.maximum(light, 0.1 * float(light.max()) or 1.0), dtype=np.float32)


def moving_part(image: NDArray[np.generic], still: Single, light: Single) -> Single:
    """Relative change of a frame from the still picture, (height, width) [1].

    The frame's own brightness is fitted out by a median ratio, and the change is divided by the
    light (`even_light`), so that the rim of the light counts as its middle.
    """
    now = np.asarray(image, dtype=np.float32)
    some, base = now[::4, ::4], still[::4, ::4]
    bright = base > 0.5 * np.percentile(base, 90)
    gain = float(np.median(some[bright] / base[bright])) if bright.any() else 1.0
    return np.asarray((now / max(gain, 1e-6) - still) / light, dtype=np.float32)


def bodies(frames: Frames, least: int = 61, most: int = MOST_FRAMES) -> Mask:
    """Solid bodies: dark in every frame over at least a `least` px square; true inside.

    A dark shock is narrower or moves. "Dark" is below the level that best parts the histogram in
    two (Otsu, IEEE Trans. Syst. Man Cybern. 9 (1979) 62) of the brightest that each pixel gets,
    if that level parts classes at least a factor two apart; else there is no body.
    """
    chosen = np.unique(np.linspace(0, len(frames) - 1, min(most, len(frames))).round().astype(int))
    brightest = np.max([np.asarray(frames[int(f)], dtype=np.float32) for f in chosen], axis=0)
    counts, edges = np.histogram(brightest, 256)
    middle = 0.5 * (edges[1:] + edges[:-1])
    low = np.cumsum(counts).astype(float)
    high = low[-1] - low
    mean_low = np.cumsum(counts * middle) / np.maximum(low, 1.0)
    mean_high = (np.sum(counts * middle) - low * mean_low) / np.maximum(high, 1.0)
    best = int(np.argmax(low * high * (mean_high - mean_low) ** 2))
    if mean_high[best] < 2.0 * mean_low[best]:
        return np.zeros(brightest.shape, dtype=bool)
    dark = brightest < edges[best + 1]
    # Past the border counts as dark, so that a body cut by the edge of the picture is one.
    wide = np.pad(dark, least, constant_values=True)
    core = ndimage.minimum_filter(wide, least)
    grown = ndimage.maximum_filter(core, least)[least:-least, least:-least]
    return np.asarray(grown & dark)


def wires(still: Single, width: int = 7, length: int = 81) -> Single:
    """Share of the light that thin straight wires along rows and columns let through, (h, w).

    Parameters
    ----------
    still : the still picture of the record; frames are divided by the result.

    Notes
    -----
    A wire is what differs from the median across it (window 3 x `width`) and goes on alike along
    it (median over `length`). Holds for wires within about width / length (5 deg) of an axis and
    up to `width` px wide; a front that stands along an axis for `length` px would go too, so it
    must not be used where one is expected to.
    """
    log = np.log(np.maximum(still, 1.0))
    result = np.zeros_like(log)
    for axis in (0, 1):
        across, along = [1, 1], [1, 1]
        across[axis], along[1 - axis] = 3 * width, length
        ridge = log - result - ndimage.median_filter(log - result, across)
        wire = ndimage.median_filter(ridge, along)
        noise = 1.4826 * float(np.median(np.abs(ridge)))
        result += np.where(np.abs(wire) > noise, wire, 0.0).astype(np.float32)
    return np.asarray(np.exp(result), dtype=np.float32)
