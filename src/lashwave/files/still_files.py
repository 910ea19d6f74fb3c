"""One image file: its header looked at before anything is unpacked, then its grey levels.

PNG after the W3C recommendation (3rd ed. 2025, sections 5 and 11.2.1), TIFF after its
revision 6.0 (1992). Whatever is at fault is raised as a `StillError`, to which the caller adds
the place.

Grey images as a row of TIFF or PNG files that `open_frames` reads back the same.
"""

from __future__ import annotations

import logging
import struct
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path

import av
import cv2
import numpy as np
import tifffile

from lashwave.files.grey import GREY, NotGreyError, grey, one_channel
from lashwave.files.swap import replace_file
from lashwave.quantities import Image

LARGEST = 200_000_000
"""No camera has more pixels [px]; a header that claims more is a slip or a trap."""
AGAIN = "export it again"
_DEFLATE = (8, 32946)
TIFF, PNG = (".tif", ".tiff", ".dng"), (".png",)
_DNG_VERSION, _LINEAR, _FILTERED = 50706, 34892, 32803
"""Tag and kinds of picture of the Digital Negative (DNG 1.7.1, Adobe, 2023)."""

# What tifffile has to say about a broken file is said by the error that is raised.
logging.getLogger("tifffile").addHandler(logging.NullHandler())


class StillError(ValueError):
    """What is wrong with an image file, and what would be right."""

    def __init__(self, problem: str, remedy: str = AGAIN) -> None:
        self.problem, self.remedy = problem, remedy
        super().__init__(problem)


@dataclass(frozen=True)
class StillHeader:
    """What an image file says of itself."""

    size: tuple[int, int]
    """Width, height [px]."""
    bits: int
    """8 or 16."""


class AlikeFrames:
    """What the kinds of `Frames` share: images that are all as the first, counted beforehand."""

    _header: StillHeader
    _length: int

    @property
    def size(self) -> tuple[int, int]:
        """Width, height [px]."""
        return self._header.size

    @property
    def bits(self) -> int:
        """Of one pixel as it is stored."""
        return self._header.bits

    def __len__(self) -> int:
        return self._length

    def __getitem__(self, frame: int) -> Image:
        raise NotImplementedError

    def __iter__(self) -> Iterator[Image]:
        return (self[frame] for frame in range(len(self)))

    def _refuse_beyond(self, frame: int) -> None:
        if not 0 <= frame < self._length:
            raise IndexError(f"frame {frame} of {self._length}")


def header_of(image: Image) -> StillHeader:
    """The header that an image would have."""
    return StillHeader((image.shape[1], image.shape[0]), 8 * image.dtype.itemsize)


def check_size(width: int, height: int) -> None:
    """Refuse an image of no pixels, or of more than any camera has; raises StillError."""
    if width < 1 or height < 1:
        raise StillError(f"is {width} x {height} px")
    if width * height > LARGEST:
        problem = f"claims {width} x {height} px, over {LARGEST / 1e6:g} million"
        raise StillError(problem, "name images of a camera")


def png_header(path: Path) -> StillHeader:
    """The header of a PNG file.

    Raises StillError for what is no whole grey PNG of 8 or 16 bits.
    """
    with path.open("rb") as stream:
        start = stream.read(33)
    if start[:8] != b"\x89PNG\r\n\x1a\n" or start[12:16] != b"IHDR":
        raise StillError("is not a PNG file", "name TIFF or PNG images by their right endings")
    if len(start) < 33:
        raise StillError("is cut short")
    width, height, depth, colour = struct.unpack(">IIBB", start[16:26])
    check_size(width, height)
    if colour in (4, 6):
        raise StillError("has a layer of transparency", GREY)
    if depth not in (8, 16) and colour != 3:
        raise StillError(f"has {depth} bits a pixel", GREY)
    channels = 3 if colour == 2 else 1
    if path.stat().st_size > 2 * channels * width * height * depth // 8 + (1 << 24):
        raise StillError("is far larger than its image")
    return StillHeader((width, height), depth if colour != 3 else 8)


def read_png(path: Path) -> Image:
    """The grey image of a PNG file whose header was looked at.

    Raises StillError for what is animated, cut short or damaged.
    """
    header = png_header(path)
    data = path.read_bytes()
    width, height = header.size
    # FFmpeg fills what a short stream leaves open and takes any filter, so both are checked.
    row = 1 + width * header.bits // 8
    plain = data[25] == 0 and data[28] == 0
    unpack, unpacked = zlib.decompressobj(), bytearray()
    try:
        for kind, body in _chunks(data):
            if kind == b"acTL":
                raise StillError("is animated", "save one file a frame")
            while kind == b"IDAT" and body and len(unpacked) < height * row:
                unpacked += unpack.decompress(body, 1 << 20)
                body = unpack.unconsumed_tail
        if plain and len(unpacked) < height * row:
            raise StillError("is cut short")
        if plain and max(unpacked[: height * row : row]) > 4:
            raise StillError("is damaged")
        decoder = av.CodecContext.create("png", "r")
        decoder.thread_count = 1
        decoder.options = {"err_detect": "crccheck+bitstream+buffer+explode"}
        frame = decoder.decode(av.Packet(data))[0]
        return grey(frame)  # type: ignore[arg-type]
    except NotGreyError as error:
        raise StillError(error.problem, error.remedy) from None
    except (zlib.error, av.FFmpegError, IndexError):
        raise StillError("is damaged") from None


def _chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Kind and body of each chunk up to the end of the image, which must be there."""
    place, kind = 8, b""
    while kind != b"IEND":
        length, kind = struct.unpack(">I4s", data[place : place + 8].ljust(8, b"\0"))
        if place + 12 + length > len(data):
            raise StillError("is cut short")
        yield kind, data[place + 8 : place + 8 + length]
        place += 12 + length


class TiffStack:
    """The pages of one TIFF file."""

    def __init__(self, path: Path) -> None:
        self._path, self._bytes = path, path.stat().st_size
        self._stream = path.open("rb")
        try:
            self._file, self._length = self._list_pages()
        except BaseException:
            self.close()
            raise

    def _list_pages(self) -> tuple[tifffile.TiffFile, int]:
        try:
            # Notes in OME-XML would have it look for further files.
            file = tifffile.TiffFile(self._stream, is_ome=False)
        except Exception:  # tifffile raises many kinds for what is no TIFF
            raise StillError(
                "is not a TIFF file that can be read",
                "name TIFF or PNG images by their right endings",
            ) from None
        try:
            length = len(file.pages)
            # tifffile stops at what it cannot follow: the last page must say that none comes after.
            form, handle = file.tiff, file.filehandle
            start = file.pages[length - 1].offset
            handle.seek(start)
            (tags,) = struct.unpack(form.tagnoformat, handle.read(form.tagnosize))
            handle.seek(start + form.tagnosize + tags * form.tagsize)
            (after,) = struct.unpack(form.offsetformat, handle.read(form.offsetsize))
        except Exception:
            after = 1
        if after != 0:
            raise StillError("has a list of pages that is cut short or damaged")
        return file, length

    def __len__(self) -> int:
        return self._length

    def close(self) -> None:
        self._stream.close()

    def header(self, index: int) -> StillHeader:
        """What one page says of itself; raises StillError where it is no whole grey image."""
        try:
            return self._header(self._page(index))
        except StillError:
            raise
        except Exception:  # tags of the wrong kind or count, wherever they are looked at
            raise StillError("has a damaged page") from None

    def _header(self, page: tifffile.TiffPage) -> StillHeader:
        check_size(page.imagewidth, page.imagelength)
        if page.photometric not in (1, 2, _LINEAR):
            problem = {
                0: "stores white as 0",
                3: "has a colour palette",
                _FILTERED: "is raw of a colour camera, one colour a pixel",
            }.get(int(page.photometric), "is in colour")
            raise StillError(problem, GREY)
        channels = page.samplesperpixel
        if channels != (3 if page.photometric == 2 else 1) or page.imagedepth != 1:
            raise StillError(f"has {channels} channels or is no plane image", GREY)
        if page.dtype is None or page.dtype not in (np.uint8, np.uint16):
            kind = page.dtype or f"{page.bitspersample} bit"
            raise StillError(f"has pixels of the kind {kind}", GREY)
        if page.bitspersample not in (8, 16):
            raise StillError(f"packs {page.bitspersample} bits a pixel", GREY)
        # OpenCV, which unpacks, looks at a file's own pages and not at those beneath them.
        packed = (1,) if self._negative else (1, 5, 8, 32773, 32946)
        if page.compression not in packed:
            name = getattr(page.compression, "name", page.compression)
            raise StillError(
                f"is packed by {name}",
                "save it unpacked" if self._negative else "save it unpacked, or by LZW or Deflate",
            )
        ends = [a + n for a, n in zip(page.dataoffsets, page.databytecounts, strict=False)]
        held = sum(page.databytecounts)
        needs = page.imagewidth * page.imagelength * channels * page.bitspersample // 8
        short = page.compression == 1 and held < needs
        if not ends or max(ends) > self._bytes or min(page.databytecounts) <= 0 or short:
            raise StillError("is cut short")
        return StillHeader((page.imagewidth, page.imagelength), page.bitspersample)

    def refuse_hidden_pages(self) -> None:
        """Refuse a file of one page whose own notes speak of more images behind it.

        Raises StillError where they do.
        """
        if self._length > 1 or self._negative:
            return
        try:
            series = self._file.series
            whole = len(series) == 1 and series[0].size == self._page(0).size
        except Exception:
            whole = True
        if not whole:
            raise StillError(
                "holds several images under one page", "save one page a frame, or one file a frame"
            )

    def read(self, index: int) -> Image:
        """The grey image of one page.

        Raises StillError for a page that is damaged or not grey.
        """
        self.header(index)
        page = self._page(index)
        if page.compression == 1:
            try:
                picture = page.asarray()
            except Exception:
                raise StillError("is damaged") from None
            if page.samplesperpixel == 3 and page.planarconfig == 2:
                picture = np.moveaxis(picture, 0, -1)
        else:
            picture = self._unpack(index)
        picture = picture.astype(picture.dtype.newbyteorder("="), copy=False)
        try:
            return one_channel(picture) if picture.ndim == 3 else picture
        except NotGreyError as error:
            raise StillError(error.problem, error.remedy) from None

    def _unpack(self, index: int) -> Image:
        """A packed page by OpenCV, whose unpacker never writes more than the image."""
        page = self._page(index)
        if page.compression in _DEFLATE:
            self._check_sums(page)
        level = cv2.utils.logging.getLogLevel()
        cv2.utils.logging.setLogLevel(0)
        try:
            done, pages = cv2.imreadmulti(str(self._path), index, 1, flags=cv2.IMREAD_UNCHANGED)
        except cv2.error:
            done, pages = False, ()
        finally:
            cv2.utils.logging.setLogLevel(level)
        if not done or len(pages) != 1 or pages[0].dtype not in (np.uint8, np.uint16):
            raise StillError("is damaged")
        return pages[0]  # type: ignore[return-value]

    def _check_sums(self, page: tifffile.TiffPage) -> None:
        """The checksum at the end of each Deflate stream, which libtiff does not look at."""
        for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True):
            self._file.filehandle.seek(offset)
            body, unpack = self._file.filehandle.read(count), zlib.decompressobj()
            try:
                while body and not unpack.eof:
                    unpack.decompress(body, 1 << 20)
                    body = unpack.unconsumed_tail
            except zlib.error:
                raise StillError("is damaged") from None
            if not unpack.eof:
                raise StillError("is cut short")

    def _page(self, index: int) -> tifffile.TiffPage:
        try:
            page = self._file.pages[index]
        except Exception:
            raise StillError("has a damaged page") from None
        assert isinstance(page, tifffile.TiffPage)
        if not self._negative or not page.is_reduced:
            return page
        # A negative begins with a small view of itself; the picture lies beneath it.
        try:
            below = [one for one in page.pages or () if isinstance(one, tifffile.TiffPage)]
        except Exception:
            raise StillError("has a damaged page") from None
        whole = [one for one in below if not one.is_reduced]
        if len(whole) != 1:
            raise StillError(f"holds {len(whole)} pictures under one page", "save it as TIFF")
        return whole[0]

    @cached_property
    def _negative(self) -> bool:
        """Whether the file is a Digital Negative."""
        try:
            return _DNG_VERSION in self._file.pages.first.tags
        except Exception:
            raise StillError("has a damaged page") from None


def write_frames(folder: Path, pattern: str, images: Iterable[Image], bits: int) -> int:
    """Write each image as it comes to a file of its own; the number written.

    Parameters
    ----------
    folder : made where it does not exist.
    pattern : name of a file with the place of the frame's number, as "frame-{:06d}.tif"; the
        ending says TIFF (packed by zlib) or PNG.
    images : (height, width), grey, of one size.
    bits : of a pixel, 8 or 16.

    Raises
    ------
    ValueError
        For images of another kind or size, an ending that is neither, and numbers that outgrow
        their padding, after which name order would no longer be frame order.
    """
    kind = {8: np.dtype(np.uint8), 16: np.dtype(np.uint16)}[bits]
    ending = Path(pattern).suffix.lower()
    if ending not in (*TIFF, *PNG):
        raise ValueError(f"{pattern!r} is neither TIFF nor PNG")
    folder.mkdir(parents=True, exist_ok=True)
    count, shape, last = 0, None, ""
    for count, image in enumerate(images, 1):
        name = pattern.format(count - 1)
        if name <= last or Path(name).name != name:
            raise ValueError(f"{name!r} does not follow {last!r} in name order")
        if image.dtype != kind or image.ndim != 2 or (shape or image.shape) != image.shape:
            raise ValueError(f"image {count - 1} is {image.dtype} {image.shape}, not as the first")
        shape, last = image.shape, name
        replace_file(folder / name, partial(_write, image=image, ending=ending))
    return count


def _write(path: Path, image: Image, ending: str) -> None:
    if ending in TIFF:
        # Packed without loss: most of an infrared image is dark.
        tifffile.imwrite(
            path, image, photometric="minisblack", metadata=None, predictor=False,
            compression="zlib", compressionargs={"level": 1},
        )  # fmt: skip
        return
    done, data = cv2.imencode(".png", image)
    if not done:
        raise OSError(f"{path} cannot be written as PNG")
    path.write_bytes(data.tobytes())
