"""Several views in one film: the part of its pictures that one of them is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from lashwave.quantities.images import Frames, Image
from lashwave.quantities.sightings import Window


@dataclass(frozen=True)
class PartOfFilm:
    """`Frames` of one view: a window of each picture, left and right exchanged where asked."""

    film: Frames
    window: Window
    flipped: bool = False

    @property
    def size(self) -> tuple[int, int]:
        """Width, height [px]."""
        return self.window.size

    @property
    def bits(self) -> int:
        """Of a pixel as stored."""
        return self.film.bits

    def __len__(self) -> int:
        return len(self.film)

    def __getitem__(self, frame: int) -> Image:
        return self._part(self.film[frame])

    def __iter__(self) -> Iterator[Image]:
        return map(self._part, self.film)

    def _part(self, image: Image) -> Image:
        left, top, width, height = self.window
        part = image[top : top + height, left : left + width]
        return (part[:, ::-1] if self.flipped else part).copy()


@dataclass(frozen=True)
class SomeOfFilm:
    """`Frames` of some pictures of a film, in that order."""

    film: Frames
    chosen: tuple[int, ...]

    @property
    def size(self) -> tuple[int, int]:
        """Width, height [px]."""
        return self.film.size

    @property
    def bits(self) -> int:
        """Of a pixel as stored."""
        return self.film.bits

    def __len__(self) -> int:
        return len(self.chosen)

    def __getitem__(self, frame: int) -> Image:
        return self.film[self.chosen[frame]]

    def __iter__(self) -> Iterator[Image]:
        return (self.film[frame] for frame in self.chosen)
