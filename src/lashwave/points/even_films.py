"""Films of cameras that expose together, image by image: dropped frames and later starts made good.

A moment at which a camera has no image stands as a black one, in which no dot is found. So image
k of every camera is of one moment.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from lashwave.quantities import Array, Camera, Frames, Image, InputError, Whole, counted

APART = 0.2
"""Frames by which cameras may expose at unlike moments and still be said to do so together."""


class EvenFilm:
    """`Frames` on an even clock; black where there is no image."""

    def __init__(self, film: Frames, place: Whole, count: int) -> None:
        self._film, self._count = film, count
        self._image = {int(p): k for k, p in enumerate(place) if 0 <= p < count}

    @property
    def size(self) -> tuple[int, int]:
        """Width, height [px]."""
        return self._film.size

    @property
    def bits(self) -> int:
        """Of a pixel as stored."""
        return self._film.bits

    @property
    def lost(self) -> int:
        """Moments without an image."""
        return self._count - len(self._image)

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, frame: int) -> Image:
        if not 0 <= frame < self._count:
            raise IndexError(f"frame {frame} of {self._count}")
        if frame in self._image:
            return self._film[self._image[frame]]
        shape = self._film.size[::-1]
        return np.zeros(shape, np.uint8) if self._film.bits == 8 else np.zeros(shape, np.uint16)

    def __iter__(self) -> Iterator[Image]:
        return (self[frame] for frame in range(self._count))


def even_films(
    cameras: Sequence[Camera], films: Sequence[Frames]
) -> tuple[list[Camera], list[Frames], tuple[str, ...]]:
    """Cameras on one even clock, their films on it, and what was made good.

    The first moment is that at which the last camera begins, by clocks and stamps, and the last
    that at which the first one ends.

    Raises
    ------
    InputError
        For cameras that expose between the first one's moments, or have none in common.
    """
    rate = cameras[0].rate
    begin = np.array([camera.clock.offset * rate for camera in cameras])
    if all(c.stamps is None for c in cameras) and np.ptp(begin) == 0.0:
        return list(cameras), list(films), ()
    places = [
        _places(camera, cameras[0], camera.counted(np.arange(len(film))) + start - begin[0])
        for camera, film, start in zip(cameras, films, begin, strict=True)
    ]
    first = max(int(place[0]) for place in places)
    count = min(int(place[-1]) for place in places) - first + 1
    if count < 1:
        raise InputError(
            "trial.toml", "cameras that show dots have no moment in common by their clocks",
            "state the clocks as the cameras kept them", field="cameras",
        )  # fmt: skip
    clock = replace(cameras[0].clock, offset=cameras[0].clock.offset + first / rate)
    even = [replace(camera, stamps=None, clock=clock) for camera in cameras]
    filled = [EvenFilm(f, p - first, count) for f, p in zip(films, places, strict=True)]
    notes = [
        f"camera {camera.name} has no image at {counted(film.lost, 'moment')} of {count}"
        for camera, film in zip(cameras, filled, strict=True)
        if film.lost
    ]
    if any(place[0] < first or place[-1] >= first + count for place in places):
        notes.append(f"the cameras have {count} moments in common; other images are not used")
    return even, list(filled), tuple(f"markers: {note}." for note in notes)


def _places(camera: Camera, first: Camera, exact: Array) -> Whole:
    """Whole places of a camera's images on the first one's clock."""
    place = np.rint(exact)
    away = float(np.abs(exact - place).max())
    if away > APART:
        raise InputError(
            "trial.toml",
            f"camera {camera.name} exposes {away:.2g} of a frame beside {first.name}, by their "
            "clocks",
            "dots are placed by cameras that expose together, image by image",
            field="cameras",
        )
    return place.astype(np.int64)
