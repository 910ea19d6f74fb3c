"""Pictures of a camera as 8-bit images, all of one camera stretched alike; and what lies over."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lashwave.files import Folder, open_frames
from lashwave.instruments import project
from lashwave.quantities import Camera, Frames, chosen_times, interpolate
from lashwave.serving.motion_pack import chosen_stations
from lashwave.serving.opened import Latest, Opened, Reader, answers_stamp
from lashwave.serving.replies import not_found, pack
from lashwave.serving.sightings_pack import lab_time, registration_of

LOOKED_AT = 12
"""Pictures of a camera from which the stretch of its grey levels is taken."""
DARKEST, BRIGHTEST = 0.2, 99.8
"""Quantiles [%] that become black and white."""
FRAMES = 5000
"""Frames that an overlay holds at most."""


@dataclass(frozen=True)
class StretchedFrames:
    """A camera's pictures with the stretch that all of them get."""

    frames: Frames
    black: float
    white: float
    lock: threading.Lock
    """A film is read by one at a time."""


class CameraPictures:
    """Opened pictures of cameras, kept until a file of the trial changes."""

    def __init__(self, reader: Reader) -> None:
        self._reader, self._films = reader, Latest(8)

    def film(self, opened: Opened, name: str) -> StretchedFrames | None:
        """The pictures of a camera; None where it has none.

        Raises InputError where they are at fault, Refused (404) where there is no such camera.
        """
        fields = next(
            (t for t in opened.description.subs("cameras") if t.get("name", "") == name), None
        )
        if fields is None:
            raise not_found(f"trial {opened.id} has no camera {name[:60]!r}")
        if not fields.has("frames"):
            return None
        pattern = fields.text("frames")
        size = next(c.size for c in opened.trial.cameras if c.name == name)

        def make() -> StretchedFrames:
            # Only to look: a hash of every picture would cost seconds and go into no answer.
            folder = Folder(opened.path, hashes={pattern: ""})
            place = (fields.where, fields.line("frames"), fields.name("frames"))
            return _stretched(open_frames(folder, pattern, *place, size))

        signature = self._reader.library.signature(opened.id)
        return self._films.get(f"{opened.id}/{name}", signature, make)

    def count(self, opened: Opened, name: str) -> int:
        """How many pictures a camera has; 0 where they cannot be opened."""
        from lashwave.quantities import InputError

        try:
            film = self.film(opened, name)
        except (InputError, StopIteration):
            return 0
        return 0 if film is None else len(film.frames)

    def image(self, opened: Opened, name: str, number: int, kind: str) -> bytes:
        """Frame `number` as png or webp, 8 bit grey.

        Raises Refused (404) for a picture that there is not.
        """
        film = self.film(opened, name)
        if film is None or not 0 <= number < len(film.frames):
            raise not_found(f"camera {name[:60]!r} has no picture {number}")
        with film.lock:
            raw = film.frames[number]
        span = max(film.white - film.black, 1.0)
        grey = np.clip((raw.astype(np.float32) - film.black) * (255.0 / span), 0, 255)
        how = [cv2.IMWRITE_PNG_COMPRESSION, 1] if kind == "png" else [cv2.IMWRITE_WEBP_QUALITY, 90]
        good, body = cv2.imencode(f".{kind}", grey.astype(np.uint8), how)
        if not good:
            raise not_found(f"picture {number} cannot be written as {kind}")
        return body.tobytes()


def _stretched(frames: Frames) -> StretchedFrames:
    some = np.unique(np.linspace(0, len(frames) - 1, LOOKED_AT).astype(int))
    seen = np.concatenate([np.asarray(frames[int(i)])[::4, ::4].ravel() for i in some])
    black, white = np.percentile(seen, [DARKEST, BRIGHTEST])
    return StretchedFrames(frames, float(black), float(white), threading.Lock())


def frame_span(opened: Opened, camera: Camera, pictures: int) -> tuple[int, int]:
    """First and last frame that a camera has a picture or a point of."""
    frames = [int(f) for f in (camera.frame.min(), camera.frame.max())] if camera.frame.size else []
    if pictures:
        frames += [0, pictures - 1]
    return (min(frames), max(frames)) if frames else (0, -1)


def overlay(reader: Reader, pictures: CameraPictures, opened: Opened, name: str) -> bytes:
    """The answered line in a camera's images: frames, lab times, projected stations and tip.

    Raises Refused (404) for a camera that the trial has not.
    """
    answers = reader.answered(opened)
    camera = next((c for c in opened.trial.cameras if c.name == name), None)
    if camera is None:
        raise not_found(f"trial {opened.id} has no camera {name[:60]!r}")
    count = pictures.count(opened, name)
    mark = repr([answers_stamp(answers.path), opened.hashes, count])

    def make() -> bytes:
        motion, _ = reader.motion(answers)
        time, station = motion["time"].values, motion["station"].values
        first, last = frame_span(opened, camera, count)
        frame = np.arange(first, last + 1)
        at = lab_time(camera, answers, frame)
        inside = (at >= time[0]) & (at <= time[-1])
        frame, at = frame[inside], at[inside]
        position, velocity = motion["position"].values, motion["velocity"].values
        tip_speed = np.linalg.norm(velocity[:, -1], axis=-1)
        keep = chosen_times(at, np.interp(at, time, tip_speed), FRAMES)
        frame, at = frame[keep], at[keep]
        s = chosen_stations(station.size)
        if at.size:
            place, _ = interpolate(time, position[:, s], velocity[:, s], at)
            uv = project(camera, place) + np.array(registration_of(camera, answers))
        else:
            uv = np.empty((0, s.size, 2))
        return pack(*_overlay_arrays(camera, frame, at, uv, station[s]))

    return reader.derived(f"{opened.id}.{_safe(name)}.overlay.pack", mark, make)


def _overlay_arrays(
    camera: Camera, frame: NDArray, at: NDArray, uv: NDArray, station: NDArray
) -> tuple[dict[str, tuple[str, NDArray]], dict[str, Any]]:
    arrays: dict[str, tuple[str, NDArray]] = {
        "frame": ("i4", frame),
        "time": ("f8", at),
        "station": ("f8", station),
        "line_uv": ("f4", uv),
        "tip_uv": ("f4", uv[:, -1]),
    }
    if camera.fronts is not None:
        arrays["front_frame"] = ("i4", camera.fronts.frame)
        arrays["front_uv"] = ("f4", camera.fronts.uv)
        arrays["front_number"] = ("i4", camera.fronts.number)
    return arrays, {"camera": camera.name, "size": list(camera.size)}


def _safe(name: str) -> str:
    """A camera's name as part of a file's name."""
    return "".join(c if c.isalnum() or c in "-_" else f"%{ord(c):x}" for c in name)
