"""Cine formats that open standards cover: grey DNG by tifffile, MXF and raw AVI by FFmpeg."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest
import tifffile

from lashwave.files.frame_files import open_frames
from lashwave.files.source import Folder
from lashwave.quantities.errors import InputError

VERSION = (50706, "B", 4, bytes([1, 7, 1, 0]), True)
LINEAR, FILTERED = 34892, 32803


def pictures(count: int = 3) -> list[np.ndarray]:
    rng = np.random.default_rng(0)
    return [rng.integers(0, 4096, (48, 64)).astype(np.uint16) for _ in range(count)]


def negative(path: Path, picture: np.ndarray, kind: int = LINEAR, small: bool = True) -> None:
    """A DNG as cameras write it: a small view in front, the picture beneath it.

    The writer has no name for grey linear raw, so the picture's kind is put in afterwards.
    """
    with tifffile.TiffWriter(path) as out:
        first = [VERSION]
        if small:
            view = (picture[::4, ::4] >> 4).astype(np.uint8)
            out.write(view, photometric="minisblack", subfiletype=1, subifds=1, extratags=first)
        out.write(picture, photometric="minisblack", extratags=[] if small else first)
    with tifffile.TiffFile(path, mode="r+b") as file:
        page = file.pages.first
        page = page.pages[0] if small else page
        page.tags[262].overwrite(kind)


def opened(folder: Path, pattern: str):
    return open_frames(Folder(folder), pattern, "trial.toml", 1, "frames", (64, 48))


@pytest.mark.parametrize("small", [True, False])
def test_a_grey_negative_is_read_to_the_last_bit(tmp_path: Path, small: bool) -> None:
    for k, picture in enumerate(pictures()):
        negative(tmp_path / f"shot-{k:03d}.dng", picture, small=small)
    frames = opened(tmp_path, "shot-*.dng")
    assert len(frames) == 3 and frames.bits == 16
    for image, picture in zip(frames, pictures(), strict=True):
        np.testing.assert_array_equal(image, picture)


def test_a_colour_cameras_negative_is_refused(tmp_path: Path) -> None:
    negative(tmp_path / "a.dng", pictures()[0], kind=FILTERED)
    with pytest.raises(InputError, match="raw of a colour camera, one colour a pixel"):
        opened(tmp_path, "a.dng")


@pytest.mark.parametrize(
    "name, codec, kind",
    [
        ("a.mxf", "ffv1", "gray16le"),  # SMPTE RDD 48
        ("b.avi", "ffv1", "gray16le"),
        ("c.avi", "rawvideo", "gray"),
        ("d.mov", "rawvideo", "gray"),
    ],
)
def test_films_without_loss_are_read_to_the_last_bit(
    tmp_path: Path, name: str, codec: str, kind: str
) -> None:
    shown = pictures() if kind == "gray16le" else [(p >> 4).astype(np.uint8) for p in pictures()]
    with av.open(str(tmp_path / name), "w") as container:
        stream = container.add_stream(codec, rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, kind
        for picture in shown:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format=kind)))
        container.mux(stream.encode())
    for image, picture in zip(opened(tmp_path, name), shown, strict=True):
        np.testing.assert_array_equal(image, picture)
