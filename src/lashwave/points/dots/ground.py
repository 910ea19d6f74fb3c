"""What an image holds where there is no dot: its background, its noise, where it is full.

The noise of a pixel has variance sd^2 + gain * (level over background): additive noise, and the
shot noise of a sensor that counts photons (`gain` grey levels an electron; 0 where the additive
noise rules). Noise is taken as independent from pixel to pixel.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array
from lashwave.quantities.images import Image

STEP = 8
"""Every eighth pixel each way stands for the image: 20 000 of 1280 x 1024."""
TILE = 16
"""Samples each way in a tile: a background is a median over 128 x 128 px."""
CLIP = 3.0
CLIPPED_SD = 0.98658
"""Standard deviation of a unit normal cut at +-3."""


@dataclass(frozen=True)
class Background:
    """Level and noise of an image without its dots."""

    level: float
    """[grey levels]"""
    sd: float
    """Of a pixel [grey levels]."""
    uneven: NDArray[np.float32] | None
    """(H, W) what to add to the level, where the light is uneven."""


def _sd(image: Image, rest: Array, dark: float) -> float:
    """Noise of a pixel: from neighbours' differences, which a slope in the light leaves alone.

    rest : samples less their tile's median; dark : share of samples at the floor of 0. Where the
    floor cuts the lower half of the noise away, the upper half has the same second moment.
    """
    if dark > 0.4:
        spread = max(float(np.quantile(rest, 0.8413)), 0.3)
        for _ in range(3):
            kept = rest[(rest > 0) & (rest < CLIP * spread)]
            spread = max(float(np.sqrt(2.0 * np.sum(kept**2) / rest.size)) / CLIPPED_SD, 0.3)
        return spread
    start = STEP // 2
    pairs = image[start::STEP, start::STEP], image[start::STEP, start - 1 :: STEP]
    columns = min(p.shape[1] for p in pairs)
    step = np.subtract(*(p[:, :columns] for p in pairs), dtype=float).ravel()
    spread = max(1.4826 * float(np.median(np.abs(step[::5]))), 0.7)
    for _ in range(3):
        kept = step[np.abs(step) < CLIP * spread]
        spread = max(float(np.sqrt(np.mean(kept**2))) / CLIPPED_SD, 0.3)
    return spread * 0.5**0.5


def background(image: Image) -> Background:
    """Level and noise of an image (H, W), dots passed over as long as they are few.

    The noise is at least that of rounding to whole levels, 1 / sqrt(12).
    """
    start = STEP // 2
    sample = image[start::STEP, start::STEP]
    rows, columns = sample.shape[0] // TILE, sample.shape[1] // TILE
    if rows < 1 or columns < 1:
        flat = image.astype(float).ravel()
        level = float(np.median(flat))
        dark = float(np.mean(flat <= 0))
        return Background(level, max(_sd(image, flat - level, dark), 12**-0.5), None)
    cut = sample[: rows * TILE, : columns * TILE]
    blocks = cut.reshape(rows, TILE, columns, TILE).swapaxes(1, 2).reshape(rows, columns, -1)
    tiles = np.median(blocks, axis=-1)
    dark = float(np.mean(blocks <= 0))
    sd = max(_sd(image, (blocks - tiles[..., None]).ravel(), dark), 12**-0.5)
    level = float(np.median(tiles))
    if float(np.ptp(tiles)) <= max(2.0 * sd, 1.0):
        return Background(level, sd, None)
    return Background(level, sd, _surface(tiles - level, image.shape))


def _surface(tiles: Array, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Tile levels (rows, columns) as a surface (H, W): bilinear between the tiles' middles."""
    for axis in (0, 1):
        # One more tile all round, straight on, so that the edges are not held level.
        turned = np.moveaxis(tiles, axis, 0)
        inner = turned[[1, -2]] if turned.shape[0] > 1 else turned[[0, -1]]
        ends = 2.0 * turned[[0, -1]] - inner
        tiles = np.moveaxis(np.concatenate([ends[:1], turned, ends[1:]]), 0, axis)
    span = STEP * TILE
    wide: NDArray[np.float32] = np.asarray(
        cv2.resize(
            tiles.astype(np.float32), None, fx=span, fy=span, interpolation=cv2.INTER_LINEAR
        ),
        dtype=np.float32,
    )
    return wide[span : span + shape[0], span : span + shape[1]]


def full_level(image: Image) -> int:
    """Grey level at which a pixel is full: 255 in 8 bit; in 16 bit the brightest level present
    where it is that of a 10-, 12- or 14-bit sensor (stored low or shifted up), else 65535."""
    if image.dtype == np.uint8:
        return 255
    brightest = int(image.max())
    for bits in (10, 12, 14):
        if brightest in ((1 << bits) - 1, ((1 << bits) - 1) << (16 - bits)):
            return brightest
    return 65535
