"""A small renderer for tests: Gaussian spots integrated over pixels, with noise of a given kind."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from lashwave.quantities.arrays import Array


def spots(size: tuple[int, int], uv: Array, peak: Array | float, width: float) -> Array:
    """(H, W) levels of round spots; `peak` is the height of the underlying Gaussian."""
    image = np.zeros(size[::-1])
    for (u, v), top in zip(uv, np.broadcast_to(peak, len(uv)), strict=True):
        reach = int(np.ceil(6 * width)) + 1
        columns = np.arange(max(0, int(u) - reach), min(size[0], int(u) + reach + 2))
        rows = np.arange(max(0, int(v) - reach), min(size[1], int(v) + reach + 2))
        if not (columns.size and rows.size):
            continue
        across = ndtr((columns + 0.5 - u) / width) - ndtr((columns - 0.5 - u) / width)
        down = ndtr((rows + 0.5 - v) / width) - ndtr((rows - 0.5 - v) / width)
        image[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += (
            top * 2 * np.pi * width**2 * down[:, None] * across
        )
    return image


def streak(
    size: tuple[int, int], uv: Array, length: float, angle: float, peak: float, width: float
) -> Array:
    """A spot drawn along a stroke, as many spots with the light of one of height `peak`."""
    steps = max(2, int(np.ceil(8 * length / width)))
    share = (np.arange(steps) + 0.5) / steps - 0.5
    path = uv + length * share[:, None] * np.array([np.cos(angle), np.sin(angle)])
    return spots(size, path, peak / steps, width)


def noisy(
    image: Array, ground: float, sd: float, rng: np.random.Generator, bits: int = 8
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """With additive noise, rounded and cut to the range of `bits`."""
    full = (1 << bits) - 1
    grey = np.clip(np.rint(image + ground + rng.normal(0.0, sd, image.shape)), 0, full)
    return grey.astype(np.uint8 if bits == 8 else np.uint16)


class Reel:
    """Images in memory as `Frames`."""

    def __init__(self, images: list[NDArray[np.uint8]] | list[NDArray[np.uint16]]) -> None:
        self.images = images

    @property
    def size(self) -> tuple[int, int]:
        return (self.images[0].shape[1], self.images[0].shape[0])

    @property
    def bits(self) -> int:
        return 8 * self.images[0].dtype.itemsize

    def __len__(self) -> int:
        return len(self.images)

    def __getitem__(self, frame: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
        return self.images[frame]

    def __iter__(self) -> Iterator[NDArray[np.uint8] | NDArray[np.uint16]]:
        return iter(self.images)
