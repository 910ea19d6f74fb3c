"""What a fixed fast camera sees when nothing moves, and how much darker a frame is than that.

The background is bright, with slow gradients, dust and wires. A pixel's values over a sample of
frames are mostly background; whatever passes (a dark line, the light and dark of a front) is the
minority. The level starts at a quantile above the median, because an opaque line only darkens,
and is then a mean of what lies near it (Huber and Ronchetti, Robust Statistics, 2nd ed. 2009,
ch. 3: a clipped mean from a robust start). Holds where no pixel is covered in more than half of
the sampled frames.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.quantities import Frames, Image, InputError

Plane = NDArray[np.float32]
"""(height, width)"""


@dataclass(frozen=True)
class BackgroundSettings:
    """How the background is made. Set by trial on painted frames; checked by `test_background.py`
    and by the tests of the tip."""

    sample: int = 64
    """Frames that the background is made of, at most: fixes the memory."""
    fewest: int = 5
    """Frames needed at least."""
    start: float = 0.6
    """Quantile over time that the level starts from."""
    clip: float = 3.5
    """Values further from the level are left out [noise sd]."""
    rows: int = 32
    """Rows of the image that are done at a time."""
    dim: float = 0.3
    """A background under this share of the picture's brightness cannot show a dark line."""
    grid: int = 7
    """Step of the pixels that a frame's own light is measured on [px]."""


BACKGROUND = BackgroundSettings()
"""What `lashwave locate` uses."""


@dataclass(frozen=True)
class Background:
    """A camera's picture with nothing in it."""

    level: Plane
    """[grey levels]"""
    noise: Plane
    """Standard deviation of one pixel in one frame [grey levels]."""
    usable: NDArray[np.bool_]
    """(height, width): bright enough to show a dark line; not wires, not beyond the window."""
    black: float = 0.0
    """Grey level without light."""


def spread_frames(
    count: int,
    skip: ArrayLike = (),
    sample: int | None = None,
    settings: BackgroundSettings = BACKGROUND,
) -> NDArray[np.int64]:
    """Numbers (N,) [1] of up to `sample` frames spread evenly over 0 ... count - 1, none of `skip`.

    sample : `settings.sample` by default.
    """
    kept = np.setdiff1d(np.arange(count), np.asarray(skip, dtype=np.int64))
    if kept.size == 0:
        kept = np.arange(count)
    return kept[
        np.unique(
            np.linspace(
                0, kept.size - 1, min(settings.sample if sample is None else sample, kept.size)
            ).astype(int)
        )
    ]


def background(
    frames: Frames,
    skip: ArrayLike = (),
    black: float = 0.0,
    settings: BackgroundSettings = BACKGROUND,
) -> Background:
    """The background of a record.

    Parameters
    ----------
    skip : (S,) [1] numbers of frames to leave out: those lit by a flash, and their neighbours
        where it lasts.
    black : [grey levels] without light.

    Raises
    ------
    InputError
        With fewer than `settings.fewest` frames, or where the record is black.
    """
    chosen = spread_frames(len(frames), skip, settings=settings)
    if chosen.size < settings.fewest:
        raise InputError(
            "frames",
            f"{chosen.size} frames are too few to tell a line from what stands still",
            f"give at least {settings.fewest}",
        )
    stack = np.stack([frames[int(f)] for f in chosen])
    lamp = stack[:, :: settings.grid, :: settings.grid].mean(axis=(1, 2), dtype=float) - black
    if np.median(lamp) <= 0.0:
        raise InputError("frames", "the images are black", "check `frames` and the exposure")
    # A lamp that flickers scales every frame; without this its swing would pass for noise.
    scale = (np.median(lamp) / np.maximum(lamp, 1e-3 * np.median(lamp))).astype(np.float32)
    noise_of = _noise_by_level(stack, scale, black, settings)
    height = stack.shape[1]
    level = np.empty(stack.shape[1:], dtype=np.float32)
    noise = np.empty_like(level)
    for row in range(0, height, settings.rows):
        part = slice(row, min(row + settings.rows, height))
        values = (stack[:, part].astype(np.float32) - black) * scale[:, None, None]
        level[part], noise[part] = _clipped(values, noise_of, settings)
    bright = float(np.quantile(level[:: settings.grid, :: settings.grid], 0.75))
    return Background(level, noise, level > settings.dim * bright, black)


def _noise_by_level(
    stack: NDArray, scale: Plane, black: float, settings: BackgroundSettings
) -> tuple[Plane, Plane]:
    """Noise [grey levels] by level: from differences of sampled neighbours, over all pixels.

    One curve for the picture is far better known than each pixel's own spread over 64 values,
    and a passing line, which is rare in differences, does not reach it.
    """
    grid = (stack[:, :: settings.grid, :: settings.grid].astype(np.float32) - black) * scale[
        :, None, None
    ]
    change = np.diff(grid, axis=0).ravel()
    mean = (0.5 * (grid[1:] + grid[:-1])).ravel()
    edges = np.quantile(mean, np.linspace(0, 1, 9))
    levels, noises = [], []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        inside = change[(mean >= low) & (mean <= high)]
        # One grey level of play: the median of whole numbers is coarse where noise is small.
        limit = settings.clip * (1.4826 * float(np.median(np.abs(inside))) + 1.0)
        kept = inside[np.abs(inside) <= limit]
        levels.append(0.5 * float(low + high))
        noises.append(max(float(kept.std()) / np.sqrt(2.0), 0.3))
    return np.asarray(levels, dtype=np.float32), np.asarray(noises, dtype=np.float32)


def _clipped(
    values: NDArray[np.float32], noise_of: tuple[Plane, Plane], settings: BackgroundSettings
) -> tuple[Plane, Plane]:
    """Level and noise of a strip's values (frames, rows, width)."""
    place = int(settings.start * (values.shape[0] - 1) + 0.5)
    level = np.partition(values, place, axis=0)[place]
    for _ in range(2):
        noise = np.interp(level, *noise_of).astype(np.float32)
        near = np.abs(values - level) <= settings.clip * noise
        count = np.maximum(near.sum(axis=0), 1)
        level = np.where(near.any(axis=0), (values * near).sum(axis=0) / count, level)
    own = np.sqrt((np.square(values - level) * near).sum(axis=0) / np.maximum(count - 1, 1))
    return level.astype(np.float32), np.maximum(own, 0.7 * noise).astype(np.float32)


def light(
    frame: Image, scene: Background, settings: BackgroundSettings = BACKGROUND
) -> tuple[float, float]:
    """A frame's own light: gain and added grey levels (a flash adds, a lamp's flicker scales).

    frame = gain * level + added, by least squares on a coarse grid; what does not fit (line,
    fronts) is clipped in two rounds.
    """
    level = scene.level[:: settings.grid, :: settings.grid][
        scene.usable[:: settings.grid, :: settings.grid]
    ].astype(float)
    seen = (
        frame[:: settings.grid, :: settings.grid][
            scene.usable[:: settings.grid, :: settings.grid]
        ].astype(float)
        - scene.black
    )
    noise = scene.noise[:: settings.grid, :: settings.grid][
        scene.usable[:: settings.grid, :: settings.grid]
    ].astype(float)
    gain, added = 1.0, float(np.median(seen - level))
    for _ in range(3):
        off = seen - gain * level - added
        off -= np.median(off)
        kept = np.abs(off) <= settings.clip * noise
        if kept.sum() < 0.5 * kept.size:
            kept = np.abs(off) <= np.median(np.abs(off))
        x, y = level[kept], seen[kept]
        spread = x - x.mean()
        # A flat background cannot tell gain from added light: hold the gain near 1.
        hold = kept.sum() * float(np.square(noise[kept]).mean())
        gain = 1.0 + float(spread @ (y - x)) / (float(spread @ spread) + hold)
        added = float(y.mean() - gain * x.mean())
    return gain, added


def darkness(frame: Image, scene: Background, settings: BackgroundSettings = BACKGROUND) -> Plane:
    """Share of the background's light that a frame lacks: 1 behind an opaque body, 0 elsewhere.

    Negative where the frame is brighter. The frame's own light is taken out first. Wires and
    what lies beyond the window are 0: nothing is known there.
    """
    gain, added = light(frame, scene, settings=settings)
    lacking = np.float32(added + scene.black) - frame.astype(np.float32)
    lacking /= np.maximum(np.float32(gain) * scene.level, np.float32(1e-3))
    lacking += np.float32(1.0)
    lacking[~scene.usable] = 0.0
    return lacking


def darkness_noise(scene: Background) -> Plane:
    """Standard deviation of `darkness`, (height, width)."""
    return (scene.noise / np.maximum(scene.level, np.float32(1e-3))).astype(np.float32)
