"""Bright dots of a film that serves a calibration: of a wand that moves, and those at rest."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lashwave.quantities import Array, Frames, Mask, Whole

NEAR = 2.0
"""[px] within which a dot at rest is found again."""
STAYS = 0.5
"""Share of the images in which a dot at rest is seen at least."""


class FilmDots(NamedTuple):
    """Dots of one film."""

    frame: Whole
    """(D,) of those that move"""
    uv: Array
    """(D, 2) [px]"""
    still: Array
    """(S, 2) [px] means of those that stand still."""


def film_dots(frames: Frames) -> FilmDots:
    """Dots of a film by the detector of markers; what may be two dots is left out.

    A dot that half of the images or more show at one place is at rest: a point of the floor, or a
    reflection. The wand must not be held still for as long.
    """
    from lashwave.points import find_dots

    found = find_dots(frames)
    single = ~found.merged
    frame, uv = found.frame[single], found.uv[single]
    place, last = _at_rest(frame, uv, len(frames))
    moving = ~last
    return FilmDots(frame[moving], uv[moving], place)


def _at_rest(frame: Whole, uv: Array, count: int) -> tuple[Array, Mask]:
    """Mean places (S, 2) of dots at rest, and which of the dots (D,) are of these."""
    from scipy.spatial import cKDTree

    taken = np.zeros(len(uv), dtype=bool)
    places: list[Array] = []
    if count < 2 or not len(uv):
        return (uv, np.ones(len(uv), dtype=bool)) if count == 1 else (np.empty((0, 2)), taken)
    near = cKDTree(uv).query_ball_point(uv, NEAR)
    for own in sorted(near, key=len, reverse=True):
        group = np.array([i for i in own if not taken[i]])
        if group.size and np.unique(frame[group]).size >= max(2.0, STAYS * count):
            places.append(uv[group].mean(axis=0))
            taken[group] = True
    return np.array(places).reshape(-1, 2), taken
