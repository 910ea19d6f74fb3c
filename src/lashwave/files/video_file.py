"""One film file as grey images, counted by its packets and never timed by its own clock.

Containers keep frame times rounded (Matroska to 1 ms) and some keep no count, so frames are
numbered in order of showing and their times are the trial's business.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
from av import VideoFrame
from av.container import InputContainer
from av.video.stream import VideoStream

from lashwave.files.grey import NotGreyError, grey
from lashwave.files.still_files import AGAIN, AlikeFrames, StillError, check_size, header_of
from lashwave.quantities import Image, InputError, counted

FILM_ENDINGS = {".avi": "avi", ".mp4": "mp4", ".mov": "mp4", ".mkv": "matroska", ".mxf": "mxf"}
"""Container by the ending of the name. It is not left to the content, which could name a list
of other files."""

LENIENT: dict[str, Any] = (
    {"metadata_errors": "replace"} if int(av.__version__.partition(".")[0]) < 19 else {}
)
"""A title that is no UTF-8 is no fault of a film; from version 19 on the library reads none."""


class VideoFile(AlikeFrames):
    """`Frames` of one film file. Going back opens the file again and decodes up to the frame."""

    def __init__(self, path: Path, name: str) -> None:
        self._path, self._name = path, name
        self._walk: Iterator[Image] = iter(())
        self._next = 0
        self._last: tuple[int, Image] | None = None
        self._length, self.codec, self.may_lose = self._count()
        try:
            first = next(self._decoded())
        except StopIteration:
            raise self._fault(0, "holds no frame") from None
        self._header = header_of(first)

    def __getitem__(self, frame: int) -> Image:
        self._refuse_beyond(frame)
        if self._last is not None and self._last[0] == frame:
            return self._last[1].copy()
        if frame < self._next or self._last is None:
            self._walk, self._next = iter(self), 0
        self._last = None  # so that a fault on the way makes the next call begin again
        while self._next <= frame:
            image = next(self._walk)
            self._next += 1
        self._last = frame, image
        return image.copy()

    def __iter__(self) -> Iterator[Image]:
        """Every frame; InputError where the film holds fewer, or another kind, than it said."""
        done = 0
        for image in self._decoded():
            if done == self._length:
                raise self._fault(done, "holds more frames than packets")
            if header_of(image) != self._header:
                raise self._fault(done, "changes its size or kind of pixel", "cut it there")
            yield image
            done += 1
        if done < self._length:
            raise self._fault(done, f"only {done} of {self._length} frames can be decoded")

    def _fault(self, frame: int, problem: str, remedy: str = AGAIN) -> InputError:
        return InputError(self._name, problem, remedy, field=f"frame {frame}")

    @contextlib.contextmanager
    def _opened(self) -> Iterator[tuple[InputContainer, VideoStream]]:
        kind = FILM_ENDINGS[self._path.suffix.lower()]
        try:
            container = av.open(str(self._path), format=kind, **LENIENT)
        except (av.FFmpegError, OSError):
            problem = f"is not a film of the kind {self._path.suffix.lower()}, or is cut short"
            raise self._fault(0, problem) from None
        with container:
            if len(container.streams.video) != 1:
                count = len(container.streams.video)
                raise self._fault(
                    0, f"holds {counted(count, 'track')} of pictures", "name a film with one"
                )
            yield container, container.streams.video[0]

    def _count(self) -> tuple[int, str, bool]:
        """Packets that hold a frame, the codec and whether it may lose grey levels."""
        with self._opened() as (container, stream):
            codec = stream.codec_context
            if codec is None:
                raise self._fault(0, "is coded in a way that is not known", "save it by FFV1")
            try:
                check_size(codec.width, codec.height)
            except StillError as error:
                raise self._fault(0, error.problem, error.remedy) from None
            count = 0
            try:
                for packet in container.demux(stream):
                    if packet.is_corrupt:
                        raise self._fault(count, "is cut short or damaged")
                    count += packet.size > 0 and not packet.is_discard
            except (av.FFmpegError, OSError):
                raise self._fault(count, "is cut short or damaged") from None
            stated = stream.frames
            if stated and stated != count:
                problem = f"holds {counted(count, 'frame')} where {stated} are stated"
                raise self._fault(
                    min(count, stated), problem, "copy it again; it was cut or lost frames"
                )
            return count, codec.name, bool(codec.codec.lossy)

    def _decoded(self) -> Iterator[Image]:
        with self._opened() as (container, stream):
            stream.codec_context.thread_count = 1
            stream.codec_context.options = {"err_detect": "crccheck+bitstream+buffer+explode"}
            frames, done = container.decode(stream), 0
            try:
                while (frame := self._heard(frames, done)) is not None:
                    check_size(frame.width, frame.height)
                    yield grey(frame)
                    done += 1
            except (NotGreyError, StillError) as error:
                raise self._fault(done, error.problem, error.remedy) from None
            except (av.FFmpegError, OSError):
                raise self._fault(done, "cannot be decoded") from None

    def _heard(self, frames: Iterator[VideoFrame], done: int) -> VideoFrame | None:
        """The next frame; a fault where the decoder complains, though it would patch the frame.

        FFmpeg tells of a failed checksum in its log alone.
        """
        level = av.logging.get_level()
        av.logging.set_level(av.logging.ERROR)
        try:
            with av.logging.Capture() as words:
                frame = next(frames, None)
        finally:
            av.logging.set_level(level)
        if words or (frame is not None and frame.is_corrupt):
            raise self._fault(done, "is damaged")
        return frame
