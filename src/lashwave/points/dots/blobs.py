"""Connected sets of bright pixels, with their moments: where dots may be.

One compiled pass finds them (`bright_runs`). The threshold stands over what an image holds
where there is no dot. The noise of a pixel has variance sd^2 + gain * (level over background):
additive noise, and the shot noise of a sensor that counts photons (`gain` grey levels an electron;
0 where the additive noise rules). Noise is taken as independent from pixel to pixel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lashwave.points.dots.bright_runs import bright_sets, column_maxima
from lashwave.points.dots.counted_levels import SKIP, counted_spread, tile_medians
from lashwave.points.dots.dot_settings import DOTS, DotSettings
from lashwave.quantities import Array, Image, Whole


@dataclass(frozen=True)
class ImageLevels:
    """Level and noise of an image without its dots."""

    level: float
    """[grey levels]"""
    sd: float
    """Of a pixel [grey levels]."""
    uneven: NDArray[np.float32] | None
    """(H, W) what to add to the level, where the light is uneven."""


MOSTLY_DARK = 0.4
"""Share of samples at the floor of 0, above which the floor cuts the noise."""


def _sd(image: Image, rest: Array, dark: float, settings: DotSettings) -> float:
    """Noise of a pixel: from neighbours' differences, which a slope in the light leaves alone.

    rest : samples less their tile's median; dark : share of samples at the floor of 0. Where the
    floor cuts the lower half of the noise away, the upper half has the same second moment.
    """
    if dark > MOSTLY_DARK:
        spread = max(float(np.quantile(rest, 0.8413)), 0.3)
        for _ in range(3):
            kept = rest[(rest > 0) & (rest < settings.clip * spread)]
            spread = max(
                float(np.sqrt(2.0 * np.sum(kept**2) / rest.size)) / settings.clipped_sd, 0.3
            )
        return spread
    return _by_differences(image, settings)


def _by_differences(image: Image, settings: DotSettings) -> float:
    """Noise of a pixel [grey levels] by what neighbours differ; far outliers are left out."""
    if image.dtype == np.uint8:
        return counted_spread(image, settings.step, settings.clip, settings.clipped_sd) * 0.5**0.5
    start = settings.step // 2
    one = image[start :: settings.step, start :: settings.step]
    other = image[start :: settings.step, start - 1 :: settings.step][:, : one.shape[1]]
    off = np.subtract(one, other, dtype=float).ravel()
    spread = max(1.4826 * float(np.median(np.abs(off[::SKIP]))), 0.7)
    for _ in range(3):
        kept = off[np.abs(off) < settings.clip * spread]
        spread = max(float(np.sqrt(np.mean(kept**2))) / settings.clipped_sd, 0.3)
    return spread * 0.5**0.5


def image_levels(image: Image, settings: DotSettings = DOTS) -> ImageLevels:
    """Level and noise of an image (H, W), dots passed over as long as they are few.

    The noise is at least that of rounding to whole levels, 1 / sqrt(12).
    """
    start = settings.step // 2
    sample = image[start :: settings.step, start :: settings.step]
    rows, columns = sample.shape[0] // settings.tile, sample.shape[1] // settings.tile
    if rows < 1 or columns < 1:
        flat = image.astype(float).ravel()
        level = float(np.median(flat))
        dark = float(np.mean(flat <= 0))
        return ImageLevels(level, max(_sd(image, flat - level, dark, settings), 12**-0.5), None)
    tiles, sd = _tiles(image, sample[: rows * settings.tile, : columns * settings.tile], settings)
    level = float(np.median(tiles))
    if float(np.ptp(tiles)) <= max(2.0 * sd, 1.0):
        return ImageLevels(level, sd, None)
    return ImageLevels(level, sd, _surface(tiles - level, image.shape, settings))


def _tiles(image: Image, sample: Image, settings: DotSettings) -> tuple[Array, float]:
    """Medians (rows, columns) of an image's tiles, and its noise of a pixel [grey levels]."""
    if image.dtype == np.uint8:
        tiles, none = tile_medians(image, settings.step, settings.tile)
        if none <= MOSTLY_DARK * sample.size:
            return tiles, max(_by_differences(image, settings), 12**-0.5)
    rows, columns = sample.shape[0] // settings.tile, sample.shape[1] // settings.tile
    blocks = (
        sample.reshape(rows, settings.tile, columns, settings.tile)
        .swapaxes(1, 2)
        .reshape(rows, columns, -1)
    )
    tiles = np.median(blocks, axis=-1)
    dark = float(np.mean(blocks <= 0))
    rest = (blocks - tiles[..., None]).ravel()
    return tiles, max(_sd(image, rest, dark, settings), 12**-0.5)


def _surface(tiles: Array, shape: tuple[int, ...], settings: DotSettings) -> NDArray[np.float32]:
    """Tile levels (rows, columns) as a surface (H, W): bilinear between the tiles' middles."""
    for axis in (0, 1):
        # One more tile all round, straight on, so that the edges do not become level.
        turned = np.moveaxis(tiles, axis, 0)
        inner = turned[[1, -2]] if turned.shape[0] > 1 else turned[[0, -1]]
        ends = 2.0 * turned[[0, -1]] - inner
        tiles = np.moveaxis(np.concatenate([ends[:1], turned, ends[1:]]), 0, axis)
    span = settings.step * settings.tile
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


@dataclass(frozen=True)
class Blobs:
    """B connected sets of pixels over the threshold (8 neighbours), in whichever images."""

    frame: Whole
    """(B,) index of the image."""
    centre: Array
    """(B, 2) [px], weighted by the level over the background."""
    moments: Array
    """(B, 3) weighted second moments uu, uv, vv [px2]; low, as the tails are cut off."""
    peak: Array
    """(B,) brightest pixel over the background [grey levels]."""
    flux: Array
    """(B,) sum over the background of the pixels in the blob [grey levels]."""
    pixels: Whole
    """(B,)"""
    full: Whole
    """(B,) how many of them are saturated."""
    low: Whole
    """(B, 2) least u, v [px]."""
    high: Whole
    """(B, 2) greatest u, v [px]."""


NOWHERE = np.empty((0, 0), np.float32)


def _bright(
    image: Image, levels: ImageLevels, height: float, full: int
) -> tuple[Whole, Array, Whole]:
    """Sets of pixels more than `height` [grey levels] over the background, as `bright_sets`."""
    kind = np.uint8 if image.dtype == np.uint8 else np.uint16
    most = np.iinfo(kind).max
    strips = column_maxima(image)
    if levels.uneven is None:
        limit = kind(np.clip(np.floor(levels.level + height), 0, most))
        return bright_sets(image, strips, limit, NOWHERE, levels.level, NOWHERE, full)
    surface = np.floor(np.clip(levels.uneven + (levels.level + height), 0, most))
    surface, lowest = surface.astype(np.float32), kind(surface.min())
    return bright_sets(image, strips, lowest, surface, levels.level, levels.uneven, full)


def blobs(
    images: Sequence[Image], levels_of: Sequence[ImageLevels], heights: Array, full: int, least: int
) -> Blobs:
    """Connected sets of at least `least` pixels that stand over the background.

    Parameters
    ----------
    images : some images (H, W) of one size; heights : (images,) threshold [grey levels].
    full : level of a saturated pixel.
    """
    parts = [
        _bright(image if image.flags.c_contiguous else image.copy(), levels, float(height), full)
        for image, levels, height in zip(images, levels_of, heights, strict=True)
    ]
    index = np.repeat(np.arange(len(parts)), [len(p[0]) for p in parts])
    first, sums, box = (np.concatenate([p[k] for p in parts]) for k in range(3))
    keep = box[:, 4] >= least
    index, first, sums, box = index[keep], first[keep], sums[keep], box[keep]
    flux = sums[:, 0]
    off = sums[:, 1:3] / flux[:, None]
    square = np.stack([off[:, 0] ** 2, off[:, 0] * off[:, 1], off[:, 1] ** 2], axis=1)
    return Blobs(
        index,
        first + off,
        sums[:, 3:6] / flux[:, None] - square,
        sums[:, 6],
        flux,
        box[:, 4],
        sums[:, 7].astype(np.int64),
        box[:, :2],
        box[:, 2:4],
    )
