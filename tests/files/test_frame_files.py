"""Images read as they were written, by files of independent writers: tifffile, OpenCV (libtiff,
libpng), Pillow and FFmpeg."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tracemalloc
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings, strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))
from films import write_film

from lashwave.files.frame_files import open_frames
from lashwave.files.source import Folder
from lashwave.files.still_files import write_frames
from lashwave.quantities.errors import InputError
from lashwave.quantities.images import Frames

SCHLIEREN = Path(__file__).parents[3] / "shared" / "data" / "schlieren_2khz"
SHAPE = (48, 64)


def frames_of(root: Path, pattern: str, size: tuple[int, int] = SHAPE[::-1]) -> Frames:
    return open_frames(Folder(root), pattern, "trial.toml", 9, "cameras[0].frames", size)


def pictures(count: int, top: int = 255, shape: tuple[int, ...] = SHAPE) -> list[NDArray]:
    """Noise over all levels: nothing about it can be guessed by a coder."""
    kind = np.uint8 if top < 256 else np.uint16
    rng = np.random.default_rng(count + top)
    return [rng.integers(0, top + 1, shape).astype(kind) for _ in range(count)]


def assert_same(frames: Frames, wanted: list[NDArray]) -> None:
    assert len(frames) == len(wanted)
    assert frames.bits == 8 * wanted[0].dtype.itemsize
    for image, picture in zip(frames, wanted, strict=True):
        assert image.dtype == picture.dtype and image.dtype.isnative
        np.testing.assert_array_equal(image, picture)
    for frame in (len(wanted) - 1, 0, 0, len(wanted) // 2, 1):
        np.testing.assert_array_equal(frames[frame], wanted[frame])
    for frame in (-1, len(wanted)):
        with pytest.raises(IndexError):
            frames[frame]


@settings(max_examples=25, deadline=None)
@given(
    kind=st.sampled_from([np.uint8, np.uint16]),
    shape=st.tuples(st.integers(1, 4), st.integers(1, 33), st.integers(1, 33)),
    ending=st.sampled_from(["tif", "png", "TIFF"]),
    data=st.data(),
)
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory,
    kind: type,
    shape: tuple[int, int, int],
    ending: str,
    data: st.DataObject,
) -> None:
    folder = tmp_path_factory.mktemp("row")
    images = list(data.draw(hnp.arrays(kind, shape)))
    bits = 8 * np.dtype(kind).itemsize
    assert write_frames(folder / "in", "f-{:03d}." + ending, images, bits) == shape[0]
    frames = frames_of(folder, f"in/*.{ending}", shape[:0:-1])
    assert (len(frames), frames.size, frames.bits) == (shape[0], shape[:0:-1], bits)
    for image, wanted in zip(frames, images, strict=True):
        assert image.dtype == wanted.dtype
        np.testing.assert_array_equal(image, wanted)
    assert not [p for p in (folder / "in").iterdir() if p.name.startswith(".")]


@pytest.mark.parametrize("top", [255, 1023, 4095, 65535])
@pytest.mark.parametrize("code", [1, 5, 8, 32946, 32773])
def test_tiff_files_of_libtiff(tmp_path: Path, top: int, code: int) -> None:
    """None, LZW, Deflate (both numbers) and PackBits; OpenCV packs them with a predictor."""
    wanted = pictures(5, top)
    for k, image in enumerate(wanted):
        cv2.imwrite(str(tmp_path / f"{k}.tif"), image, [cv2.IMWRITE_TIFF_COMPRESSION, code])
    assert_same(frames_of(tmp_path, "*.tif"), wanted)


@pytest.mark.parametrize("top", [255, 65535])
@pytest.mark.parametrize(
    "options",
    [
        {},
        {"byteorder": ">"},
        {"bigtiff": True},
        {"tile": (16, 32)},
        {"rowsperstrip": 7},
        {"compression": "zlib", "predictor": True},
        {"metadata": None},
    ],
)
def test_a_tiff_stack_of_tifffile(tmp_path: Path, top: int, options: dict) -> None:
    wanted = pictures(7, top)
    whole = {k: v for k, v in options.items() if k in ("byteorder", "bigtiff")}
    each = {k: v for k, v in options.items() if k not in whole}
    with tifffile.TiffWriter(tmp_path / "stack.tif", **whole) as writer:
        for image in wanted:
            writer.write(image, photometric="minisblack", **each)
    assert_same(frames_of(tmp_path, "stack.tif"), wanted)


@pytest.mark.parametrize("kind", [{}, {"imagej": True}, {"ome": True}])
def test_a_stack_written_as_one_array(tmp_path: Path, kind: dict[str, bool]) -> None:
    wanted = pictures(6, 65535)
    stack = np.stack(wanted)
    tifffile.imwrite(tmp_path / "stack.tif", stack, photometric="minisblack", **kind)
    assert_same(frames_of(tmp_path, "stack.t?f"), wanted)


@pytest.mark.parametrize("ending", ["png", "tif"])
@pytest.mark.parametrize("top", [255, 65535])
def test_files_of_pillow(tmp_path: Path, top: int, ending: str) -> None:
    image_of = pytest.importorskip("PIL.Image")
    wanted = pictures(4, top)
    for k, image in enumerate(wanted):
        image_of.fromarray(image).save(tmp_path / f"{k}.{ending}")
    assert_same(frames_of(tmp_path, f"*.{ending}"), wanted)


@pytest.mark.parametrize("top", [255, 65535])
@pytest.mark.parametrize("ending", ["png", "tif"])
def test_three_equal_channels_are_grey(tmp_path: Path, top: int, ending: str) -> None:
    wanted = pictures(3, top)
    for k, image in enumerate(wanted):
        cv2.imwrite(str(tmp_path / f"{k}.{ending}"), np.dstack([image] * 3))
    assert_same(frames_of(tmp_path, f"*.{ending}"), wanted)


def test_a_png_with_a_grey_palette(tmp_path: Path) -> None:
    image_of = pytest.importorskip("PIL.Image")
    wanted = pictures(2)
    for k, image in enumerate(wanted):
        picture = image_of.fromarray(255 - image).convert("P")
        picture.putpalette([level for k in range(256) for level in [255 - k] * 3])
        picture.save(tmp_path / f"{k}.png")
    assert_same(frames_of(tmp_path, "*.png"), wanted)


@pytest.mark.parametrize(
    ("name", "codec", "kind", "top"),
    [
        ("a.avi", "ffv1", "gray", 255),
        ("a.avi", "ffv1", "gray16le", 65535),
        ("a.mkv", "ffv1", "gray16le", 65535),
        ("a.avi", "ffv1", "gray10le", 1023),
        ("a.avi", "ffv1", "gray12le", 4095),
        ("a.mov", "png", "gray", 255),
        ("a.mp4", "ffv1", "gray", 255),
        ("A.AVI", "rawvideo", "gray", 255),
        ("a.avi", "rawvideo", "bgr24", 255),
        ("a.avi", "png", "gray", 255),
        ("a.avi", "png", "gray16be", 65535),
        ("a.avi", "ffv1", "bgr0", 255),
        ("a.avi", "huffyuv", "rgb24", 255),
        ("a.mp4", "libx264rgb", "rgb24", 255),
    ],
)
def test_lossless_films(tmp_path: Path, name: str, codec: str, kind: str, top: int) -> None:
    wanted = pictures(30, top)
    options = {"qp": "0"} if "264" in codec else {}
    source = "gray" if top == 255 else "gray16le"
    write_film(tmp_path / name, wanted, codec, kind, source, **options)
    assert_same(frames_of(tmp_path, name), wanted)


@pytest.mark.parametrize("shape", [(47, 61), (8, 8), (1, 9)])
def test_a_film_of_odd_size(tmp_path: Path, shape: tuple[int, int]) -> None:
    wanted = pictures(3, shape=shape)
    write_film(tmp_path / "a.avi", wanted)
    assert_same(frames_of(tmp_path, "a.avi", shape[::-1]), wanted)


@pytest.mark.parametrize("kind", ["gray", "yuv420p"])
def test_h264_without_loss_keeps_levels_unstretched(tmp_path: Path, kind: str) -> None:
    """The luma is taken as coded: a conversion to full range would move levels by up to 16."""
    picture = np.zeros((60, 64, 3 if kind == "gray" else 1), np.uint8)[..., 0]
    picture[:] = np.arange(64) * 3 + 20
    wanted = [picture + k for k in range(9)]
    if kind == "gray":
        write_film(tmp_path / "a.mp4", wanted, "libx264", "gray", "gray", qp="0")
    else:
        planes = [np.vstack([p, np.full((30, 64), 128, np.uint8)]) for p in wanted]
        write_film_of_planes(tmp_path / "a.mp4", planes)
    folder = Folder(tmp_path)
    frames = open_frames(folder, "a.mp4", "trial.toml", 9, "frames", (64, 60))
    assert_same(frames, wanted)
    assert folder.notes == ["a.mp4: h264 may have changed grey levels."]


def write_film_of_planes(path: Path, planes: list[NDArray]) -> None:
    """H.264 from yuv420p planes stacked as PyAV takes them; FFmpeg converts nothing."""
    import av

    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height = 64, 60
        stream.pix_fmt, stream.options = "yuv420p", {"qp": "0"}
        for plane in planes:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(plane, format="yuv420p")))
        container.mux(stream.encode())


def test_a_lossy_grey_film_is_read_though_its_chroma_wavers(tmp_path: Path) -> None:
    ramp = np.broadcast_to(np.linspace(30, 220, 64).astype(np.uint8), SHAPE)
    write_film(tmp_path / "a.avi", [ramp.copy()] * 3, "mpeg4", "yuv420p", "gray", qscale="9")
    frames = frames_of(tmp_path, "a.avi")
    assert len(list(frames)) == 3


def test_the_hash_is_that_of_sha256sum(tmp_path: Path) -> None:
    write_frames(tmp_path / "in", "f-{:02d}.tif", pictures(12), 8)
    folder = Folder(tmp_path)
    open_frames(folder, "in/*.tif", "trial.toml", 9, "frames", SHAPE[::-1])
    listing = subprocess.run(
        "LC_ALL=C sha256sum in/*.tif", shell=True, cwd=tmp_path, capture_output=True, check=True
    ).stdout
    assert folder.hashes == {"in/*.tif": hashlib.sha256(listing).hexdigest()}


def test_one_file_has_its_own_hash(tmp_path: Path) -> None:
    write_film(tmp_path / "a.avi", pictures(3))
    folder = Folder(tmp_path)
    open_frames(folder, "a.avi", "trial.toml", 9, "frames", SHAPE[::-1])
    wanted = hashlib.sha256((tmp_path / "a.avi").read_bytes()).hexdigest()
    assert folder.hashes == {"a.avi": wanted}


def test_files_come_in_name_order_and_a_gap_is_noted(tmp_path: Path) -> None:
    wanted = pictures(4)
    for name, image in zip(("b-001", "b-002", "b-007", "b-008"), wanted, strict=True):
        tifffile.imwrite(tmp_path / f"{name}.tif", image)
    tifffile.imwrite(tmp_path / ".b-000.tif", wanted[0])  # what a file manager leaves is no frame
    folder = Folder(tmp_path)
    frames = open_frames(folder, "*.tif", "trial.toml", 9, "frames", SHAPE[::-1])
    assert_same(frames, wanted)
    assert len(folder.notes) == 1 and "numbers skip after b-002.tif" in folder.notes[0]


def test_a_plain_name_with_brackets_is_that_file(tmp_path: Path) -> None:
    wanted = pictures(3)
    write_film(tmp_path / "throw [1].avi", wanted)
    assert_same(frames_of(tmp_path, "throw [1].avi"), wanted)


def test_reading_goes_one_image_at_a_time(tmp_path: Path) -> None:
    """500 images of 0.25 MB as files, as a stack and as a film: a few at once, never all."""
    image = pictures(1, shape=(512, 512))[0]
    rolled = (np.roll(image, k, axis=0) for k in range(500))
    write_frames(tmp_path / "in", "f-{:04d}.tif", rolled, 8)
    with tifffile.TiffWriter(tmp_path / "stack.tif") as writer:
        for k in range(500):
            writer.write(np.roll(image, k, axis=0), contiguous=False)
    write_film(
        tmp_path / "a.avi", [np.roll(image, k, axis=0) for k in range(100)], "rawvideo", "gray"
    )
    for pattern, count in (("in/*.tif", 500), ("stack.tif", 500), ("a.avi", 100)):
        frames = frames_of(tmp_path, pattern, (512, 512))
        next(iter(frames))
        tracemalloc.start()
        try:
            for k, found in enumerate(frames):
                assert found[k, 0] == image[0, 0]
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert k + 1 == count
        assert peak < 8 * image.nbytes, pattern


@pytest.mark.skipif(not SCHLIEREN.exists(), reason="the shared data are elsewhere")
def test_real_schlieren_frames(tmp_path: Path) -> None:
    """Twelve frames of a wind tunnel (SOURCE.md beside them: 8 bit, 960 x 880)."""
    frames = frames_of(SCHLIEREN, "frame_*.png", (960, 880))
    assert (len(frames), frames.bits) == (12, 8)
    for k, image in enumerate(frames):
        other = cv2.imread(str(SCHLIEREN / f"frame_{k:02d}.png"), cv2.IMREAD_UNCHANGED)
        np.testing.assert_array_equal(image, other)


def test_the_writer_refuses_what_it_cannot_keep(tmp_path: Path) -> None:
    eight, sixteen = pictures(1)[0], pictures(1, 65535)[0]
    for pattern, images, bits in (
        ("f-{:02d}.tif", [sixteen], 8),
        ("f-{:02d}.tif", [eight], 16),
        ("f-{:02d}.tif", [eight, eight[:-1]], 8),
        ("f-{:02d}.jpg", [eight], 8),
        ("f-{}.tif", [eight] * 11, 8),
        ("f.tif", [eight] * 2, 8),
        ("../f-{}.tif", [eight], 8),
    ):
        with pytest.raises(ValueError):
            write_frames(tmp_path / "out", pattern, images, bits)


def test_a_fault_while_iterating_names_its_frame(tmp_path: Path) -> None:
    write_frames(tmp_path, "f-{:02d}.tif", pictures(5), 8)
    frames = frames_of(tmp_path, "*.tif")
    data = (tmp_path / "f-03.tif").read_bytes()
    (tmp_path / "f-03.tif").write_bytes(data[:-100])  # changed after its header was looked at
    with pytest.raises(InputError, match=r"f-03\.tif, frame 3: is cut short"):
        list(frames)
