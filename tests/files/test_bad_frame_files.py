"""Every kind of broken, odd and hostile image input: one line that says where and what to do.

The kinds are those that issue 3 names (broken, short, empty, huge, colour, odd-sized, mixed), the
fields of the PNG (W3C) and TIFF 6.0 headers, and the paths of CWE-22, CWE-59 and CWE-409.
"""

from __future__ import annotations

import os
import struct
import sys
import zlib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))
from films import write_film

from lashwave.files.frame_files import open_frames
from lashwave.files.source import Folder
from lashwave.quantities.errors import InputError

SHAPE = (48, 64)
Spoil = Callable[[Path], str]
"""Puts files into a folder; gives the pattern that names them."""


def noise(kind: type = np.uint8, shape: tuple[int, ...] = SHAPE, seed: int = 0) -> NDArray:
    rng = np.random.default_rng(seed)
    return rng.integers(0, np.iinfo(kind).max, shape, endpoint=True).astype(kind)


def row(ending: str, spoil: Callable[[Path], object]) -> Spoil:
    """Three good files, of which the second is then spoilt."""

    def put(folder: Path) -> str:
        for k in range(3):
            path = folder / f"f{k}.{ending}"
            if ending == "png":
                cv2.imwrite(str(path), noise(seed=k))
            else:
                tifffile.imwrite(path, noise(seed=k), photometric="minisblack")
        spoil(folder / f"f1.{ending}")
        return f"f*.{ending}"

    return put


def one(name: str, data: bytes) -> Spoil:
    def put(folder: Path) -> str:
        (folder / name).write_bytes(data)
        return name

    return put


def cut(share: float) -> Callable[[Path], object]:
    return lambda p: p.write_bytes(p.read_bytes()[: int(p.stat().st_size * share)])


def flip(place: float, count: int = 8) -> Callable[[Path], object]:
    def spoil(path: Path) -> None:
        data = bytearray(path.read_bytes())
        start = int(len(data) * place)
        for k in range(start, start + count):
            data[k] ^= 0xA5
        path.write_bytes(data)

    return spoil


def as_tiff(picture: NDArray, **options: object) -> Callable[[Path], object]:
    options.setdefault("photometric", "minisblack")
    return lambda path: tifffile.imwrite(path, picture, **options)


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(
    width: int, height: int, depth: int, colour: int, raw: bytes, extra: bytes = b""
) -> Callable[[Path], object]:
    """A PNG made by hand (W3C PNG, 3rd ed., section 5): right sums, whatever else."""
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0))
    body = chunk(b"IDAT", zlib.compress(raw))
    data = b"\x89PNG\r\n\x1a\n" + head + extra + body + chunk(b"IEND", b"")
    return lambda path: path.write_bytes(data)


def film(spoil: Callable[[Path], object], name: str = "a.avi", **options: object) -> Spoil:
    def put(folder: Path) -> str:
        pictures = [noise(seed=k) for k in range(20)]
        write_film(folder / name, pictures, **options)  # type: ignore[arg-type]
        spoil(folder / name)
        return name

    return put


def colour_film(folder: Path) -> str:
    pictures = [noise(shape=(*SHAPE, 3), seed=k) for k in range(4)]
    write_film(folder / "a.avi", pictures, "ffv1", "bgr0", "rgb24")
    return "a.avi"


def colour_late(folder: Path) -> str:
    pictures = [np.dstack([noise(seed=k)] * 3) for k in range(5)]
    pictures[3] = noise(shape=(*SHAPE, 3))
    write_film(folder / "a.avi", pictures, "ffv1", "bgr0", "rgb24")
    return "a.avi"


def colour_in_chroma(folder: Path) -> str:
    red = np.zeros((*SHAPE, 3), np.uint8)
    red[..., 0] = 200
    write_film(folder / "a.mp4", [red] * 4, "mpeg4", "yuv420p", "rgb24")
    return "a.mp4"


def stack(*pages: NDArray, name: str = "s.tif", **options: object) -> Spoil:
    def put(folder: Path) -> str:
        with tifffile.TiffWriter(folder / name) as writer:
            for page in pages:
                writer.write(page, photometric="minisblack", contiguous=False, **options)
        return name

    return put


def spoilt(put: Spoil, spoil: Callable[[Path], object]) -> Spoil:
    """Files of which the one that is named is then spoilt."""

    def both(folder: Path) -> str:
        name = put(folder)
        spoil(folder / name)
        return name

    return both


def ring(folder: Path) -> str:
    """A TIFF whose list of pages bites its tail."""
    name = stack(noise(), noise(), noise())(folder)
    data = bytearray((folder / name).read_bytes())
    with tifffile.TiffFile(folder / name) as file:
        first, third = file.pages[0].offset, file.pages[2].offset
    count = struct.unpack("<H", data[third : third + 2])[0]
    data[third + 2 + 12 * count : third + 6 + 12 * count] = struct.pack("<I", first)
    (folder / name).write_bytes(data)
    return name


def set_tag(name: str, value: int) -> Callable[[Path], object]:
    """Overwrite a tag of the first page (TIFF 6.0, section 2)."""

    def spoil(path: Path) -> None:
        data = bytearray(path.read_bytes())
        with tifffile.TiffFile(path) as file:
            tag = file.pages[0].tags[name]
            form = {3: "<H", 4: "<I"}[tag.dtype]
        data[tag.valueoffset : tag.valueoffset + struct.calcsize(form)] = struct.pack(form, value)
        path.write_bytes(data)

    return spoil


def hidden(folder: Path) -> str:
    """Five images, one page: the rest is known from the writer's own note alone."""
    images = np.stack([noise(seed=k) for k in range(5)])
    with tifffile.TiffWriter(folder / "s.tif") as writer:
        writer.write(images, photometric="minisblack", truncate=True)
    return "s.tif"


def link_out(folder: Path) -> str:
    outside = folder.parent / "outside.tif"
    tifffile.imwrite(outside, noise())
    os.symlink(outside, folder / "f0.tif")
    return "f*.tif"


def link_to_folder(folder: Path) -> str:
    (folder.parent / "elsewhere").mkdir()
    tifffile.imwrite(folder.parent / "elsewhere" / "f0.tif", noise())
    os.symlink(folder.parent / "elsewhere", folder / "frames")
    return "frames/*.tif"


def pipe(folder: Path) -> str:
    os.mkfifo(folder / "f0.tif")
    return "f*.tif"


def two_films(folder: Path) -> str:
    write_film(folder / "a.avi", [noise()] * 3)
    write_film(folder / "b.avi", [noise()] * 3)
    return "*.avi"


def both_kinds(folder: Path) -> str:
    cv2.imwrite(str(folder / "f0.png"), noise())
    tifffile.imwrite(folder / "f1.tif", noise())
    return "f*"


def unpadded(folder: Path) -> str:
    for k in (1, 2, 10):
        tifffile.imwrite(folder / f"f{k}.tif", noise())
    return "f*.tif"


def no_film_track(folder: Path) -> str:
    import av

    with av.open(str(folder / "a.mp4"), "w") as container:
        stream = container.add_stream("aac", rate=44100)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 4096), np.float32), "fltp", "mono")
        frame.rate = 44100
        container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return "a.mp4"


def playlist(folder: Path) -> str:
    """Text that FFmpeg, left to guess, would follow to a file outside of the folder."""
    write_film(folder.parent / "outside.avi", [noise()] * 3)
    text = "#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\n../outside.avi\n#EXT-X-ENDLIST\n"
    (folder / "a.mp4").write_text(text)
    return "a.mp4"


def nothing(path: Path) -> None:
    path.write_bytes(b"")


def keep(path: Path) -> None:
    """Leave the file as it is."""


FEW = png(64, 48, 8, 0, b"\0" + bytes(64))
WRONG_FILTER = png(64, 48, 8, 0, (b"\x0b" + bytes(64)) * 48)
RGB = noise(shape=(*SHAPE, 3))
RAW = (b"\0" + bytes(64)) * 48
ANIMATED = png(64, 48, 8, 0, RAW, chunk(b"acTL", struct.pack(">II", 2, 0)))

CASES: dict[str, tuple[Spoil, str]] = {
    # what the pattern names
    "no match": (lambda f: "frames/*.tif", "trial.toml, line 9, frames: no file matches"),
    "no film": (lambda f: "a.avi", "there is no file 'a.avi'"),
    "up": (lambda f: "../*.tif", "leaves the trial folder"),
    "absolute": (lambda f: "/tmp/*.tif", "leaves the trial folder"),
    "link outside": (link_out, "leaves the trial folder"),
    "linked folder": (link_to_folder, "leaves the trial folder"),
    "a pipe": (pipe, "is not a plain file"),
    "a folder": (lambda f: (f / "x.tif").mkdir() or "x.tif", "is not a plain file"),
    "unknown ending": (one("a.bmp", b"BM"), "files of the kind '.bmp'"),
    "no ending": (one("frames", b"x"), "without ending"),
    "two films": (two_films, "names a film and 1 more"),
    "TIFF and PNG": (both_kinds, "both TIFF and PNG"),
    "unpadded numbers": (unpadded, "pad the numbers"),
    "another size than the camera's": (
        stack(noise(shape=(48, 65))), "s.tif, frames: is 65 x 48 px, the camera 64 x 48",
    ),
    # TIFF
    "empty TIFF": (row("tif", nothing), "'f1.tif' is empty"),
    "TIFF of text": (row("tif", lambda p: p.write_text("hello")), "is not a TIFF file"),
    "TIFF that is a PNG": (row("tif", png(64, 48, 8, 0, RAW)), "is not a TIFF file"),
    "cut TIFF": (row("tif", cut(0.5)), "f1.tif, frame 1: is cut short"),
    "TIFF cut in its header": (row("tif", cut(0.02)), "f1.tif, frame 1:"),
    "TIFF of another size": (row("tif", as_tiff(noise(shape=(47, 64)))), "is 64 x 47 px of 8 bits"),
    "TIFF of another depth": (row("tif", as_tiff(noise(np.uint16))), "64 x 48 px of 16 bits"),
    "colour TIFF": (row("tif", as_tiff(RGB, photometric="rgb")), "f1.tif, frame 1: is in colour"),
    "planar colour TIFF": (
        row("tif", as_tiff(np.moveaxis(RGB, 2, 0), photometric="rgb", planarconfig="separate")),
        "is in colour",
    ),
    "float TIFF": (row("tif", as_tiff(noise().astype(np.float32))), "of the kind float32"),
    "signed TIFF": (row("tif", as_tiff(noise().astype(np.int16))), "of the kind int16"),
    "32-bit TIFF": (row("tif", as_tiff(noise(np.uint32))), "of the kind uint32"),
    "1-bit TIFF": (row("tif", as_tiff(noise() > 127)), "f1.tif, frame 1:"),
    "packed 12-bit TIFF": (row("tif", set_tag("BitsPerSample", 12)), "packs 12 bits a pixel"),
    "JPEG in TIFF": (row("tif", set_tag("Compression", 7)), "is packed by JPEG"),
    "white-is-zero TIFF": (
        row("tif", as_tiff(noise(), photometric="miniswhite")), "stores white as 0",
    ),
    "palette TIFF": (
        row("tif", as_tiff(noise(), photometric="palette", colormap=noise(np.uint16, (3, 256)))),
        "colour palette",
    ),
    "transparent TIFF": (
        row("tif", as_tiff(noise(shape=(*SHAPE, 2)), extrasamples=["unassalpha"])), "2 channels",
    ),
    "pages in a row of files": (
        row("tif", lambda p: stack(noise(), noise(), name=p.name)(p.parent)),
        "holds 2 images in a row of files",
    ),
    "stack of mixed sizes": (stack(noise(), noise(), noise(shape=(9, 9))), "s.tif, frame 2: is 9"),
    "stack of mixed depths": (stack(noise(), noise(np.uint16)), "s.tif, frame 1:"),
    "stack in a ring": (ring, "s.tif, frame 0: has a list of pages that is cut"),
    "cut stack": (
        spoilt(stack(noise(), noise(), noise()), cut(0.6)),
        "s.tif, frame 0: has a list of pages that is cut",
    ),
    "cut last page": (
        spoilt(stack(noise(), noise(), noise()), cut(0.99)),
        "s.tif, frame 2: is cut short",
    ),
    "hidden pages": (hidden, "several images under one page"),
    "damaged Deflate": (
        row("tif", lambda p: [as_tiff(noise(), compression="zlib")(p), flip(0.9, 40)(p)]),
        "f1.tif, frame 1: is damaged",
    ),
    # PNG
    "empty PNG": (row("png", nothing), "'f1.png' is empty"),
    "PNG of text": (row("png", lambda p: p.write_text("hello" * 9)), "is not a PNG file"),
    "cut PNG": (row("png", cut(0.5)), "f1.png, frame 1: is cut short"),
    "PNG cut in its header": (row("png", lambda p: p.write_bytes(p.read_bytes()[:20])),
        "f1.png, frame 1: is cut short"),
    "damaged PNG": (row("png", flip(0.5)), "f1.png, frame 1: is damaged"),
    "PNG of too few rows": (row("png", FEW), "f1.png, frame 1: is cut short"),
    "PNG of an unknown filter": (row("png", WRONG_FILTER), "f1.png, frame 1: is damaged"),
    "PNG with baggage": (
        row("png", png(64, 48, 8, 0, RAW, chunk(b"teSt", bytes(1 << 25)))), "far larger than its",
    ),
    "huge PNG": (row("png", png(60_000, 60_000, 8, 0, b"")), "claims 60000 x 60000 px"),
    "PNG without pixels": (row("png", png(0, 48, 8, 0, b"")), "is 0 x 48 px"),
    "PNG of another size": (row("png", png(64, 49, 8, 0, RAW)), "is 64 x 49 px"),
    "PNG of another depth": (row("png", png(64, 48, 16, 0, RAW)), "of 16 bits"),
    "1-bit PNG": (row("png", png(64, 48, 1, 0, RAW)), "has 1 bits a pixel"),
    "colour PNG": (
        row("png", lambda p: cv2.imwrite(str(p), RGB)), "f1.png, frame 1: is in colour",
    ),
    "transparent PNG": (row("png", png(64, 48, 8, 4, RAW * 2)), "transparency"),
    "animated PNG": (row("png", ANIMATED), "is animated"),
    # films
    "empty film": (one("a.avi", b""), "'a.avi' is empty"),
    "film of text": (one("a.avi", b"hello" * 99), "a.avi, frame 0: is not a film"),
    "playlist": (playlist, "a.mp4, frame 0: is not a film"),
    "sound alone": (no_film_track, "0 tracks of pictures"),
    "cut AVI": (film(cut(0.5)), "a.avi, frame 9: is cut short"),
    "cut MP4": (film(cut(0.5), "a.mp4"), "a.mp4, frame 0: is not a film"),
    "damaged film": (film(flip(0.5, 40), level="3", slicecrc="1"), "a.avi, frame"),
    "colour film": (colour_film, "a.avi, frame 0: is in colour"),
    "film with colour later on": (colour_late, "a.avi, frame 3: is in colour"),
    "colour in the chroma": (colour_in_chroma, "a.mp4, frame 0: is in colour"),
}  # fmt: skip


@pytest.mark.parametrize("kind", CASES)
def test_one_clear_line(
    tmp_path: Path, kind: str, capfd: pytest.CaptureFixture[str], recwarn: pytest.WarningsRecorder
) -> None:
    spoil, wanted = CASES[kind]
    folder = tmp_path / "trial"
    folder.mkdir()
    pattern = spoil(folder)
    capfd.readouterr()
    with pytest.raises(InputError) as caught:
        for _ in open_frames(Folder(folder), pattern, "trial.toml", 9, "frames", SHAPE[::-1]):
            pass
    message = str(caught.value)
    assert wanted in message
    assert "\n" not in message and caught.value.field and caught.value.remedy
    assert capfd.readouterr() == ("", "")  # libraries keep their own words to themselves
    assert not list(recwarn)


def test_a_huge_tiff_is_refused_before_memory_is_taken(tmp_path: Path) -> None:
    """CWE-409: a header that claims 10 gigapixels over a kilobyte of data."""
    path = tmp_path / "s.tif"
    tifffile.imwrite(path, noise())
    for tag in ("ImageWidth", "ImageLength"):
        set_tag(tag, 60_000)(path)
    with pytest.raises(InputError, match=r"s\.tif, frame 0: claims 60000 x 60000 px"):
        open_frames(Folder(tmp_path), "s.tif", "trial.toml", 9, "frames", (60000, 60000))


def test_a_damaged_frame_stops_neither_those_before_it_nor_a_second_try(tmp_path: Path) -> None:
    name = film(flip(0.5, 40), level="3", slicecrc="1")(tmp_path)
    frames = open_frames(Folder(tmp_path), name, "trial.toml", 9, "frames", SHAPE[::-1])
    for _ in range(2):
        with pytest.raises(InputError, match=r"a\.avi, frame 9: is damaged"):
            frames[15]
        np.testing.assert_array_equal(frames[8], noise(seed=8))


def seeds(folder: Path) -> dict[str, bytes]:
    """A small good file of each kind."""
    grey = [cv2.GaussianBlur(noise(seed=k), (0, 0), 3) for k in range(4)]
    stack(*grey, name="plain.tif")(folder)
    stack(*grey, name="deflate.tif", compression="zlib")(folder)
    cv2.imwritemulti(str(folder / "lzw.tif"), grey)
    cv2.imwrite(str(folder / "grey.png"), grey[0])
    write_film(folder / "ffv1.avi", grey)
    write_film(folder / "ffv1.mkv", grey)
    write_film(folder / "h264.mp4", grey, "libx264", "yuv420p", qp="0")
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_no_damage_gets_past_or_out(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Bytes lost, changed and put in at random: every frame that was promised, or one clear line.

    Where damage cannot be seen (plain TIFF has no sums) the count still holds.
    """
    rng = np.random.default_rng(5)
    refused = tried = 0
    for name, data in seeds(tmp_path).items():
        for _ in range(25):
            spoilt, place = bytearray(data), int(rng.integers(len(data)))
            kind = rng.integers(3)
            if kind == 0:
                spoilt = spoilt[: max(place, 1)]
            elif kind == 1:
                for spot in rng.integers(min(len(data), 400), size=3):
                    spoilt[spot] = rng.integers(256)
            else:
                spoilt[place : place + rng.integers(9)] = rng.bytes(rng.integers(9))
            (tmp_path / name).write_bytes(spoilt)
            tried += 1
            try:
                frames = open_frames(Folder(tmp_path), name, "t.toml", 1, "frames", SHAPE[::-1])
                assert sum(image.shape == SHAPE for image in frames) == len(frames)
            except InputError as error:
                refused += 1
                assert "\n" not in str(error)
    assert capfd.readouterr() == ("", "")
    assert 0.4 * tried < refused < tried
