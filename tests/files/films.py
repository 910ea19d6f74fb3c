"""Films written by FFmpeg through PyAV, for the tests that read them."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

RATE = 30
"""The container's own; a trial's rate has nothing to do with it."""


def write_film(
    path: Path,
    pictures: list[NDArray],
    codec: str = "ffv1",
    kind: str = "gray",
    source: str = "gray",
    **options: str,
) -> None:
    """Code `pictures`, arrays of the pixel format `source`, as pixels of `kind`."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=RATE)
        stream.height, stream.width = pictures[0].shape[:2]
        stream.pix_fmt, stream.options = kind, options
        stream.codec_context.thread_count = 1
        for picture in pictures:
            container.mux(stream.encode(frame_of(picture, kind, source)))
        container.mux(stream.encode())


def frame_of(picture: NDArray, kind: str, source: str) -> av.VideoFrame:
    """A frame of the pixel format `kind`; 9 to 14 bit grey goes in as it is, not stretched."""
    if kind in ("gray10le", "gray12le"):
        frame = av.VideoFrame(picture.shape[1], picture.shape[0], kind)
        plane = frame.planes[0]
        rows = np.zeros((plane.height, plane.line_size // 2), dtype="<u2")
        rows[:, : picture.shape[1]] = picture
        plane.update(rows.tobytes())
        return frame
    frame = av.VideoFrame.from_ndarray(picture, format=source)
    return frame if kind == source else frame.reformat(format=kind)
