"""Connected sets of bright pixels, with their moments: where dots may be.

Only the pixels over the threshold are handled, some thousands of a million, so that a picture
costs little more than one pass of the comparison. The threshold stands over what an image holds
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
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

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


def _sd(image: Image, rest: Array, dark: float, settings: DotSettings) -> float:
    """Noise of a pixel: from neighbours' differences, which a slope in the light leaves alone.

    rest : samples less their tile's median; dark : share of samples at the floor of 0. Where the
    floor cuts the lower half of the noise away, the upper half has the same second moment.
    """
    if dark > 0.4:
        spread = max(float(np.quantile(rest, 0.8413)), 0.3)
        for _ in range(3):
            kept = rest[(rest > 0) & (rest < settings.clip * spread)]
            spread = max(
                float(np.sqrt(2.0 * np.sum(kept**2) / rest.size)) / settings.clipped_sd, 0.3
            )
        return spread
    start = settings.step // 2
    pairs = (
        image[start :: settings.step, start :: settings.step],
        image[start :: settings.step, start - 1 :: settings.step],
    )
    columns = min(p.shape[1] for p in pairs)
    step = np.subtract(*(p[:, :columns] for p in pairs), dtype=float).ravel()
    spread = max(1.4826 * float(np.median(np.abs(step[::5]))), 0.7)
    for _ in range(3):
        kept = step[np.abs(step) < settings.clip * spread]
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
    cut = sample[: rows * settings.tile, : columns * settings.tile]
    blocks = (
        cut.reshape(rows, settings.tile, columns, settings.tile)
        .swapaxes(1, 2)
        .reshape(rows, columns, -1)
    )
    tiles = np.median(blocks, axis=-1)
    dark = float(np.mean(blocks <= 0))
    sd = max(_sd(image, (blocks - tiles[..., None]).ravel(), dark, settings), 12**-0.5)
    level = float(np.median(tiles))
    if float(np.ptp(tiles)) <= max(2.0 * sd, 1.0):
        return ImageLevels(level, sd, None)
    return ImageLevels(level, sd, _surface(tiles - level, image.shape, settings))


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


def bright_pixels(image: Image, levels: ImageLevels, height: float) -> tuple[Array, Array, Array]:
    """Pixels more than `height` [grey levels] over the background, in raster order.

    Returns
    -------
    uv : (N, 2) [px]; grey : (N,) level; over : (N,) the same over the background.
    """
    if levels.uneven is None:
        limit = np.floor(levels.level + height)
        mask = cv2.compare(image, float(limit), cv2.CMP_GT)  # type: ignore[call-overload]
    else:
        surface = np.clip(levels.uneven + (levels.level + height), 0, np.iinfo(image.dtype).max)
        mask = cv2.compare(image, surface.astype(image.dtype), cv2.CMP_GT)
    # numpy's search for true bytes: a third of the time of OpenCV's.
    v, u = np.divmod(np.flatnonzero(np.asarray(mask, dtype=np.uint8).view(bool)), image.shape[1])
    uv = np.stack([u, v], axis=1)
    grey = image[uv[:, 1], uv[:, 0]].astype(float)
    over = grey - levels.level
    if levels.uneven is not None:
        over -= levels.uneven[uv[:, 1], uv[:, 0]]
    return uv.astype(float), grey, over


def _joined(place: Whole, row: int) -> tuple[int, Whole]:
    """Number of connected sets and the set of each pixel.

    place : (N,) increasing, `row` apart from line to line with two spare columns and lines, so
        that nothing touches across an edge or from image to image.
    """
    ends = []
    for step in (1, row - 1, row, row + 1):
        at = np.minimum(np.searchsorted(place, place + step), place.size - 1)
        hit = np.flatnonzero(place[at] == place + step)
        ends.append(np.stack([hit, at[hit]]))
    pairs = np.concatenate(ends, axis=1)
    graph = coo_array((np.ones(pairs.shape[1], bool), tuple(pairs)), shape=(place.size,) * 2)
    count, label = connected_components(graph, directed=False)
    return int(count), label.astype(np.int64)


def blobs(
    images: Sequence[Image], levels_of: Sequence[ImageLevels], heights: Array, full: int, least: int
) -> Blobs:
    """Connected sets of at least `least` pixels that stand over the background.

    Parameters
    ----------
    images : some images (H, W) of one size; heights : (images,) threshold [grey levels].
    full : level of a saturated pixel.
    """
    rows, columns = images[0].shape
    parts = [bright_pixels(*one) for one in zip(images, levels_of, heights, strict=True)]
    index = np.repeat(np.arange(len(parts)), [len(p[0]) for p in parts])
    uv, grey, over = (np.concatenate([p[k] for p in parts]) for k in range(3))
    if not len(uv):
        none = np.empty(0, np.int64)
        flat, pairs = np.empty(0), np.empty((0, 2), np.int64)
        return Blobs(none, uv, np.empty((0, 3)), flat, flat, none, none, pairs, pairs)
    row = columns + 2
    place = ((index * (rows + 2)) + uv[:, 1].astype(np.int64)) * row + uv[:, 0].astype(np.int64)
    count, label = _joined(place, row)

    def total(weight: Array) -> Array:
        return np.asarray(np.bincount(label, weight, minlength=count), dtype=float)

    flux = total(over)
    centre = np.stack([total(over * uv[:, 0]), total(over * uv[:, 1])], axis=1) / flux[:, None]
    du, dv = (uv - centre[label]).T
    moments = np.stack([total(over * a) for a in (du * du, du * dv, dv * dv)], 1) / flux[:, None]
    order = np.argsort(label, kind="stable")
    first = np.searchsorted(label[order], np.arange(count))
    whole = uv[order].astype(np.int64)
    low = np.minimum.reduceat(whole, first)
    high = np.maximum.reduceat(whole, first)
    peak = np.maximum.reduceat(over[order], first)
    pixels = np.bincount(label, minlength=count)
    saturated = np.bincount(label[grey >= full], minlength=count)
    keep = pixels >= least
    return Blobs(
        index[order][first][keep],
        centre[keep],
        moments[keep],
        peak[keep],
        flux[keep],
        pixels[keep].astype(np.int64),
        saturated[keep].astype(np.int64),
        low[keep],
        high[keep],
    )
