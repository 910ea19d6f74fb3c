"""Raw pictures that only look like grey are known by their pattern, and grey ones are not."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from lashwave.files.grey import raw_kind

REAL = Path(__file__).parents[2].parent / "shared" / "data" / "schlieren_2khz"


def scene(seed: int = 0, top: float = 3000.0) -> np.ndarray:
    """A lit view with a gradient, dust, a dark line and noise, (200, 240)."""
    rng = np.random.default_rng(seed)
    v, u = np.mgrid[:200, :240].astype(float)
    light = top * (0.6 + 0.3 * u / 240 - 0.2 * (v / 200) ** 2)
    light += cv2.GaussianBlur(rng.normal(size=(200, 240)), (0, 0), 3.0) * 0.3 * top
    light[:, 100:106] *= 0.1
    return np.clip(light + rng.normal(0.0, 0.01 * top, light.shape), 0, 4095)


@pytest.mark.parametrize("first", range(4))
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_a_colour_cameras_raw_is_known_whichever_colour_is_first(first: int, kind: type) -> None:
    gain = np.roll(np.array([0.62, 1.0, 1.0, 0.75]), 0).reshape(2, 2)
    gain = np.roll(gain, (first // 2, first % 2), axis=(0, 1))
    raw = scene() * np.tile(gain, (100, 120)) / (16.0 if kind is np.uint8 else 1.0)
    said = raw_kind(np.clip(raw, 0, np.iinfo(kind).max).astype(kind))
    assert said is not None and "one colour a pixel" in said[0]


@pytest.mark.parametrize("first", [1, 2])
def test_twelve_bits_packed_in_bytes_are_known(first: int) -> None:
    """Two pixels in three bytes, the byte of the last bits in the middle or at the end."""
    grey = scene().astype(np.uint16)
    high, low = grey >> 4, grey & 15
    bytes_ = [high[:, ::2], high[:, 1::2]]
    bytes_.insert(first, low[:, ::2] | (low[:, 1::2] << 4))
    packed = np.stack(bytes_, axis=-1).reshape(200, 360).astype(np.uint8)
    said = raw_kind(packed)
    assert said is not None and "12 bits a pixel" in said[0]


def test_ten_bits_packed_in_bytes_are_known() -> None:
    grey = (scene() / 4.0).astype(np.uint16)
    high, low = grey >> 2, grey & 3
    rest = sum(low[:, k::4] << (2 * k) for k in range(4))
    packed = np.stack([*(high[:, k::4] for k in range(4)), rest], axis=-1)
    said = raw_kind(packed.reshape(200, 300).astype(np.uint8))
    assert said is not None and "10 bits a pixel" in said[0]


def test_grey_pictures_are_none_of_these() -> None:
    rng = np.random.default_rng(1)
    columns = 1.0 + 0.02 * (np.arange(240) % 2)  # a sensor of two outputs
    stripes = 128.0 + 100.0 * np.sin(np.arange(240) * 2.0 * np.pi / 3.0)
    grey = [
        scene().astype(np.uint16),
        (scene() / 16.0).astype(np.uint8),
        (scene() / 16.0 * columns).astype(np.uint8),
        rng.integers(0, 255, (200, 240)).astype(np.uint8),
        np.zeros((200, 240), np.uint16),
        np.tile(stripes, (200, 1)).astype(np.uint8),
    ]
    grey += [cv2.imread(str(f), cv2.IMREAD_UNCHANGED) for f in sorted(REAL.glob("*.png"))[:3]]
    assert [raw_kind(picture) for picture in grey] == [None] * len(grey)
