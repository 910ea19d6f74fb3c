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
