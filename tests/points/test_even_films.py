"""Films of cameras that expose together, where one began later or dropped frames."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.points import even_films
from lashwave.quantities.errors import InputError
from lashwave.quantities.sightings import Clock
from tests.points.rendered import Reel
from tests.points.test_marker_points import camera


def reel(moments: np.ndarray) -> Reel:
    """Images whose grey level says their moment."""
    return Reel([np.full((8, 8), m + 1, np.uint8) for m in moments])


def test_dropped_frames_and_a_later_start_are_made_good() -> None:
    kept, later = np.array([0, 1, 2, 5, 6, 7, 8]), np.arange(2, 12)
    stamps = np.column_stack([np.arange(7), kept / 500.0])
    one = replace(camera(0.0), stamps=stamps, clock=Clock(0.1, 1e-3))
    two = replace(camera(0.8), clock=Clock(0.1 + 2 / 500.0, 1e-3))
    cameras, films, notes = even_films([one, two], [reel(kept), reel(later)])
    shown = [[int(image.max()) - 1 for image in film] for film in films]
    assert shown == [[2, -1, -1, 5, 6, 7, 8], [2, 3, 4, 5, 6, 7, 8]]  # -1 where all is black
    assert all(c.clock.offset == pytest.approx(0.104) and c.stamps is None for c in cameras)
    assert "at 0.00 has no image at 2 moments of 7" in notes[0]
    assert "7 moments in common" in notes[1]


def test_even_films_from_one_moment_stay_as_they_are() -> None:
    films = [reel(np.arange(4)), reel(np.arange(6))]
    _, same, notes = even_films([camera(0.0), camera(0.8)], films)
    assert same == films and not notes


def test_cameras_that_expose_between_each_other_are_refused() -> None:
    late = replace(camera(0.8), clock=Clock(0.4 / 500.0, 1e-3))
    with pytest.raises(InputError, match=r"0\.4 of a frame beside"):
        even_films([camera(0.0), late], [reel(np.arange(4)), reel(np.arange(4))])
    never = replace(camera(0.8), clock=Clock(1.0, 1e-3))
    with pytest.raises(InputError, match="no moment in common"):
        even_films([camera(0.0), never], [reel(np.arange(4)), reel(np.arange(4))])
