"""What is dark about a place: how many arms of a line meet there."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lashwave.quantities import Array, Mask


def arms(dark: Mask, place: NDArray[np.int64], radius: float) -> int:
    """How many arms a dark thing (h, w) [px] has about a place of it, on a circle."""
    box, corner = about(place.astype(float), radius + 2.0, dark.shape)
    rows, columns = np.mgrid[box]
    away = np.hypot(columns - place[0], rows - place[1])
    inside = dark[box] & (away <= radius + 1.0)
    labels = cv2.connectedComponents(inside.view(np.uint8))[1]
    at = labels[place[1] - corner[1], place[0] - corner[0]]
    ring = (labels == at) & (at > 0) & (away > radius - 1.0)
    return int(cv2.connectedComponents(ring.view(np.uint8))[0]) - 1


def about(
    place: Array, reach: float, shape: tuple[int, ...]
) -> tuple[tuple[slice, slice], NDArray[np.int64]]:
    """A box of a picture (H, W) about a place (2,) [px], and u, v of its first pixel."""
    low = np.maximum(np.floor(place - reach), 0).astype(int)
    high = np.minimum(np.ceil(place + reach).astype(int) + 1, np.array(shape[::-1]))
    return (slice(low[1], high[1]), slice(low[0], high[0])), low
