"""A camera's images by the pattern that names them: files in name order, one stack, one film."""

from __future__ import annotations

import re
import weakref
from collections.abc import Callable
from pathlib import Path, PurePosixPath

from lashwave.files.source import Folder
from lashwave.files.still_files import (
    PNG,
    TIFF,
    AlikeFrames,
    StillError,
    StillHeader,
    TiffStack,
    header_of,
    png_header,
    read_png,
)
from lashwave.files.video_file import FILM_ENDINGS, VideoFile
from lashwave.quantities import Frames, Image, InputError, counted

_NUMBER = re.compile(r"(\d+)")


def open_frames(
    folder: Folder,
    pattern: str,
    where: str,
    line: int | None,
    key: str,
    size: tuple[int, int],
) -> Frames:
    """The images of one camera; headers are all looked at, pixels are read when asked for.

    Parameters
    ----------
    folder : the trial folder; the images' hash and what is worth noting are added to it.
    pattern : relative to the folder: TIFF or PNG files in name order, one TIFF file of many
        pages, or one film (.avi, .mp4, .mov, .mkv, .mxf).
    where, line, key : the field that holds the pattern, for messages.
    size : width, height that the camera states [px].

    Raises
    ------
    InputError
        Here for what names and headers show: no match, a path that leaves the folder, mixed
        kinds, sizes or depths, colour, a size that is not the camera's, files that are cut short.
        When a frame is read for the rest: damaged pixels, colour between equal headers.
    """
    names = folder.files(pattern, where, line, key)

    def fault(problem: str, remedy: str) -> InputError:
        return InputError(where, problem, remedy, line=line, field=key)

    frames = _opened(folder, pattern, names, fault)
    if frames.size != size:
        problem = f"is {frames.size[0]} x {frames.size[1]} px, the camera {size[0]} x {size[1]}"
        raise InputError(names[0], problem, "give the camera's size as its images have", field=key)
    return frames


def _opened(
    folder: Folder, pattern: str, names: list[str], fault: Callable[[str, str], InputError]
) -> Frames:
    """The images of files by their kind, whatever their size."""
    kinds = {PurePosixPath(name).suffix.lower() for name in names}
    unknown = sorted(kinds - {*TIFF, *PNG, *FILM_ENDINGS})
    if unknown:
        raise fault(
            f"{pattern[:80]!r} names files of the kind {unknown[0][:20] or 'without ending'!r}",
            "name TIFF or PNG images, or one .avi or .mp4 film",
        )
    if kinds & set(FILM_ENDINGS):
        if len(names) > 1:
            raise fault(
                f"{pattern[:80]!r} names a film and {counted(len(names) - 1, 'more file')}",
                "name one film",
            )
        film = VideoFile(folder.root / names[0], names[0])
        if film.may_lose:
            folder.notes.append(f"{names[0]}: {film.codec} may have changed grey levels.")
        return film
    if kinds & set(TIFF) and kinds & set(PNG):
        raise fault(f"{pattern[:80]!r} names both TIFF and PNG files", "keep to one kind")
    if len(names) == 1 and kinds <= set(TIFF):
        return Stack(folder.root / names[0], names[0])
    if swapped := _check_order(names):
        raise fault(
            f"{pattern[:80]!r} in name order has {swapped[0][-60:]} before {swapped[1][-60:]}",
            "pad the numbers in the names with zeros",
        )
    _note_gap(folder, pattern, names)
    return Stills(folder.root, names)


class Stills(AlikeFrames):
    """`Frames` of one file each."""

    def __init__(self, root: Path, names: list[str]) -> None:
        self._root, self._names, self._length = root, names, len(names)
        self._header = self._look(0)
        for frame in range(1, len(names)):
            self._same(frame, self._look(frame))

    def __getitem__(self, frame: int) -> Image:
        self._refuse_beyond(frame)
        path = self._root / self._names[frame]
        try:
            if path.suffix.lower() in PNG:
                image = read_png(path)
            else:
                stack = TiffStack(path)
                try:
                    image = stack.read(0)
                finally:
                    stack.close()
        except (StillError, OSError) as error:
            raise _fault(self._names[frame], frame, error) from None
        self._same(frame, header_of(image))
        return image

    def _look(self, frame: int) -> StillHeader:
        path = self._root / self._names[frame]
        try:
            if path.suffix.lower() in PNG:
                return png_header(path)
            stack = TiffStack(path)
            try:
                if len(stack) > 1:
                    raise StillError(
                        f"holds {len(stack)} images in a row of files",
                        "save one image a file, or all in one file",
                    )
                stack.refuse_hidden_pages()
                return stack.header(0)
            finally:
                stack.close()
        except (StillError, OSError) as error:
            raise _fault(self._names[frame], frame, error) from None

    def _same(self, frame: int, header: StillHeader) -> None:
        _check_same(self._names[frame], frame, header, self._header)


class Stack(AlikeFrames):
    """`Frames` that are the pages of one TIFF file."""

    def __init__(self, path: Path, name: str) -> None:
        self._name = name
        try:
            self._stack = TiffStack(path)
        except (StillError, OSError) as error:
            raise _fault(name, 0, error) from None
        weakref.finalize(self, self._stack.close)
        self._length = len(self._stack)
        frame = 0
        try:
            self._stack.refuse_hidden_pages()
            self._header = self._stack.header(0)
            for frame in range(1, len(self._stack)):
                _check_same(name, frame, self._stack.header(frame), self._header)
        except (StillError, OSError) as error:
            raise _fault(name, frame, error) from None

    def __getitem__(self, frame: int) -> Image:
        self._refuse_beyond(frame)
        try:
            image = self._stack.read(frame)
        except (StillError, OSError) as error:
            raise _fault(self._name, frame, error) from None
        _check_same(self._name, frame, header_of(image), self._header)
        return image


def _check_same(name: str, frame: int, header: StillHeader, first: StillHeader) -> None:
    if header != first:
        was, now = (f"{h.size[0]} x {h.size[1]} px of {h.bits} bits" for h in (first, header))
        raise InputError(
            name, f"is {now}, the first {was}", "keep one size and depth", field=f"frame {frame}"
        )


def _fault(name: str, frame: int, error: StillError | OSError) -> InputError:
    if isinstance(error, StillError):
        return InputError(name, error.problem, error.remedy, field=f"frame {frame}")
    return InputError(
        name,
        f"cannot be read ({error.strerror})",
        "see that it may be read",
        field=f"frame {frame}",
    )


def _natural(name: str) -> list[tuple[int, str]]:
    """A key that sorts frame-2 before frame-10."""
    parts = _NUMBER.split(name)
    return [(int(p), "") if i % 2 else (0, p) for i, p in enumerate(parts)]


def _check_order(names: list[str]) -> tuple[str, str] | None:
    """Two names that stand in name order against their numbers, for want of padding."""
    keys = [_natural(name) for name in names]
    late = [i for i in range(1, len(keys)) if keys[i] < keys[i - 1]]
    return (names[late[0] - 1], names[late[0]]) if late else None


def _note_gap(folder: Folder, pattern: str, names: list[str]) -> None:
    """Say where the last numbers of the names skip: frames are counted without gaps."""
    numbers = [int(found[-1]) for name in names if (found := _NUMBER.findall(name))]
    gaps = [i for i in range(1, len(numbers)) if numbers[i] - numbers[i - 1] > 1]
    if gaps and len(numbers) == len(names):
        first, then = names[gaps[0] - 1], names[gaps[0]]
        folder.notes.append(
            f"{pattern}: numbers skip after {first} (next {then}); frames are counted without gaps."
        )
