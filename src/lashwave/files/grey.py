"""Decoded pictures as grey images: values as stored, colour refused where there is any."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities import Image

if TYPE_CHECKING:
    from av import VideoFrame

NEUTRAL = 2
"""A lossy coder leaves the colour of a grey picture this far from none [levels of 8 bit]."""
GREY = "save it as plain grey of 8 or 16 bit"

_GRAY = re.compile(r"gray(9|1[0246])?(le|be)?")
_LUMA = re.compile(r"(yuvj?4\d\dp|nv12|nv21|nv16|nv24)(9|1[0246])?(le|be)?")
_COLOURS = re.compile(r"rgb24|bgr24|(rgb|bgr)0|0(rgb|bgr)|bgra|rgba|argb|abgr|gbrp|pal8")
_DEEP_COLOURS = re.compile(r"(rgb|bgr)48(le|be)")


UNLIKE = 0.06
"""Share by which a colour filter makes neighbouring pixels unlike at least; the two outputs of a
grey sensor differ by 0.02 at most."""
ROUGH, ROUGHER = 40.0, 4.0
"""Step from sample to sample [levels of 8 bit] of bytes that hold what is left over of packed
pixels, and how many times the others' it is."""


class NotGreyError(ValueError):
    """A picture that is no grey image: what it is, and what would be right."""

    def __init__(self, problem: str, remedy: str = GREY) -> None:
        self.problem, self.remedy = problem, remedy
        super().__init__(problem)


def one_channel(picture: NDArray[Any]) -> Image:
    """The grey image, no unit, of a picture (height, width, 3) whose three channels are equal.

    Raises
    ------
    NotGreyError
        Where they are not.
    """
    first = picture[..., 0]
    if not ((picture[..., 1] == first).all() and (picture[..., 2] == first).all()):
        raise NotGreyError("is in colour")
    return np.ascontiguousarray(first)


def grey(frame: VideoFrame) -> Image:
    """A decoded frame's grey levels as its coder stored them, neither stretched nor shifted.

    Of a format with luma and chroma the luma is taken, and the chroma must be neutral; of a
    format in colours the three must be equal.

    Raises
    ------
    NotGreyError
    """
    name = frame.format.name
    if match := _GRAY.fullmatch(name):
        return _plane(frame, 0, match.group(1), match.group(2))
    if match := _LUMA.fullmatch(name):
        _, depth, order = match.groups()
        slack = NEUTRAL << (int(depth or 8) - 8)
        for place in range(1, len(frame.planes)):
            chroma = _plane(frame, place, depth, order, step=2 if name.startswith("nv") else 1)
            none = 1 << (int(depth or 8) - 1)
            if int(chroma.max()) > none + slack or int(chroma.min()) < none - slack:
                raise NotGreyError("is in colour")
        return _plane(frame, 0, depth, order)
    if _COLOURS.fullmatch(name):
        return one_channel(frame.to_ndarray(format="rgb24"))
    if _DEEP_COLOURS.fullmatch(name):
        return one_channel(frame.to_ndarray(format="rgb48le"))
    raise NotGreyError(f"has pixels of the kind {name}, which are not read")


def _plane(
    frame: VideoFrame, place: int, depth: str | None, order: str | None, step: int = 1
) -> Image:
    """One plane without the padding of its rows, in a copy of its own."""
    kind: np.dtype[Any] = np.dtype("u1" if depth is None else ">u2" if order == "be" else "<u2")
    plane = frame.planes[place]
    rows = np.frombuffer(memoryview(plane), np.uint8).reshape(plane.height, plane.line_size)
    wanted = np.ascontiguousarray(rows[:, : plane.width * step * kind.itemsize])
    return wanted.view(kind).astype(kind.newbyteorder("="), copy=False)


def raw_kind(image: Image) -> tuple[str, str] | None:
    """What a picture (H, W), no unit, is that only looks like grey, and what would be right.

    A colour camera's raw picture has one colour a pixel, in squares of four of which two on a
    diagonal are alike. Pixels of 10 or 12 bit that are packed leave their last bits in every third
    or fifth byte, which jumps from sample to sample. None where it is neither.
    """
    if min(image.shape) < 32:
        return None
    packed = _packed(image) if image.dtype == np.uint8 else None
    if packed is not None:
        return f"is raw with {packed} bits a pixel, packed", "save it unpacked, as grey of 16 bit"
    high, wide = image.shape[0] // 2 * 2, image.shape[1] // 2 * 2
    part = image[:high, :wide]
    four = np.array([[part[a::2, b::2].mean(dtype=float) for b in (0, 1)] for a in (0, 1)])
    for pair, others in (
        ((four[0, 0], four[1, 1]), (four[0, 1], four[1, 0])),
        ((four[0, 1], four[1, 0]), (four[0, 0], four[1, 1])),
    ):
        middle = 0.5 * sum(pair)
        alike = abs(pair[0] - pair[1]) < 0.3 * UNLIKE * middle
        apart = [abs(other - middle) > max(UNLIKE * middle, 1.0) for other in others]
        if alike and all(apart):
            return "is raw of a colour camera, one colour a pixel", "save it as grey"
    return None


def _packed(image: Image) -> int | None:
    """Bits of a packed pixel, where bytes hold such."""
    for period, bits in ((3, 12), (5, 10)):
        columns = image[::4, : image.shape[1] // period * period].astype(float)
        steps = [
            float(np.median(np.abs(np.diff(columns[:, k::period], axis=1)))) for k in range(period)
        ]
        last = max(steps)
        if last > ROUGH and last > ROUGHER * max(float(np.median(steps)), 1.0):
            return bits
    return None
