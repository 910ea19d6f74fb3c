"""Fronts in real schlieren frames, followed through all twelve and held against marks by hand.

Data: ../shared/data/schlieren_2khz (MIT; its SOURCE.md), 12 frames at 2 kHz, exposure 495 us.

How the marks were made, before any detector ran on these frames: the grey level along one row
(mean of the row and its two neighbours) was drawn over u for each frame, and on the drawing the
middle of the steep flank was marked to 0.1 px: the mean of where the level is half way between
the flank's foot and top, and of the middle of its steepest samples. The two agree within 0.6 px,
so a mark is good to about 0.3 px (sd) along the row. Left out, since their flank is smeared over
more than 8 px by the shock's motion within the exposure: normal shock 4, 7, 9; bow 4. Normal
shock 2 fell outside the drawing.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from lashwave.points.shocks.find_fronts import moves, pieces_in, wandering_fronts
from lashwave.points.shocks.front_tracks import Front

cv2.setNumThreads(1)

FRAMES = Path(__file__).parents[2].parent / "shared" / "data" / "schlieren_2khz"

MARKED: dict[tuple[str, int], dict[int, float]] = {
    # (front, row v): frame -> u [px] of the dark-to-light flank
    ("normal", 420): {0: 470.0, 1: 461.7, 3: 462.9, 5: 484.9, 6: 483.2, 8: 470.8, 10: 485.7,
                      11: 486.8},
    ("normal", 180): {0: 481.2, 5: 496.9, 11: 499.1},
    ("foot", 190): {0: 399.4, 1: 396.6, 2: 394.6, 3: 398.3, 4: 401.3, 5: 398.9, 6: 394.8,
                    7: 395.0, 8: 395.5, 9: 409.1, 10: 421.1, 11: 424.2},
    ("bow", 250): {0: 277.0, 1: 283.2, 2: 291.0, 3: 290.6, 5: 257.5, 6: 258.6, 7: 264.6, 8: 275.4,
                   9: 281.8, 10: 281.4, 11: 277.8},
}  # fmt: skip


@pytest.fixture(scope="module")
def fronts() -> Iterator[list[Front]]:
    files = sorted(FRAMES.glob("frame_*.png"))
    if not files:
        pytest.skip("../shared/data/schlieren_2khz is not here")
    yield wandering_fronts([cv2.imread(str(f), cv2.IMREAD_UNCHANGED) for f in files])


def crossing(front: Front, frame: int, row: float) -> tuple[float, float]:
    """u at which a front crosses a row, and the row's share of the normal.

    Straight between the front's nearest points above and below the row; nan where either is
    further than 12 px away.
    """
    pieces = pieces_in(front, frame)
    if not pieces:
        return np.nan, np.nan
    uv = np.concatenate([p.uv for p in pieces])
    share = np.abs(np.concatenate([p.normal[:, 0] for p in pieces]))
    away = uv[:, 1] - row
    above = int(np.where(away < 0.0, away, -np.inf).argmax())
    below = int(np.where(away >= 0.0, away, np.inf).argmin())
    if away[below] > 12.0 or away[above] < -12.0 or away[above] >= 0.0 or away[below] < 0.0:
        return np.nan, np.nan
    weight = -away[above] / (away[below] - away[above])
    u = (1.0 - weight) * uv[above, 0] + weight * uv[below, 0]
    return float(u), float(share[above])


def the_one(fronts: list[Front], row: float, u: float) -> Front:
    """The front that stands nearest to a mark in frame 0."""
    away = [abs(crossing(f, 0, row)[0] - u) for f in fronts]
    return fronts[int(np.nanargmin(away))]


@pytest.mark.parametrize("which", ["normal", "foot", "bow"])
def test_fronts_keep_one_number_through_all_frames(fronts: list[Front], which: str) -> None:
    row = {"normal": 420, "foot": 190, "bow": 250}[which]
    front = the_one(fronts, row, MARKED[which, row][0])
    assert front.frame.tolist() == list(range(12))
    assert moves(front)


def test_normal_position_agrees_with_the_marks(fronts: list[Front]) -> None:
    """Issue 3's figure: 0.5 px (rms along the normal), the marks' own 0.3 px included."""
    off: dict[str, list[float]] = {"normal": [], "foot": [], "bow": []}
    for (which, row), marks in MARKED.items():
        front = the_one(fronts, row, marks[0])
        for frame, u in marks.items():
            found, share = crossing(front, frame, row)
            off[which].append((found - u) * share)
    for values in off.values():
        assert np.sqrt(np.mean(np.square(values))) < 0.5
        assert abs(np.mean(values)) < 0.25
