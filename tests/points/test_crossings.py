"""A line that crosses itself, folds, or stands still at the rim: its tip, or none."""

import numpy as np
import pytest

from lashwave.points.background import background
from lashwave.points.tip.find_tip import tip_track, tips_in
from tests.points.painted_line import Painted

SIZE, COUNT = (240, 200), 24


def curve(one: tuple[float, float], two: tuple[float, float], tip: tuple[float, float], rim: float):
    """A cubic that comes in from the left at a height of `rim` px."""
    s = np.linspace(0, 1, 60)[:, None]
    parts = np.array([(-30.0, rim), one, two, tip])
    weight = [(1 - s) ** 3, 3 * s * (1 - s) ** 2, 3 * s * s * (1 - s), s**3]
    return sum(w * p for w, p in zip(weight, parts, strict=True))


def standing(frame: float) -> np.ndarray:
    """Straight and still at the rim, its outer part in motion."""
    tip = (60.0 + 4.0 * frame, 140.0 + 20.0 * np.sin(frame / 6.0))
    return curve((tip[0] + 100.0, 38.0), (tip[0] - 110.0, 60.0 + frame), tip, 50.0)


def crossing(frame: float) -> np.ndarray:
    """Comes up through its own first part; the loop closes to a fold as time goes on."""
    tip = (70.0 + 3.0 * frame, 110.0 - 3.0 * frame)
    wave = 8.0 * np.sin(frame / 5.0)
    return curve((260.0, 40.0 + 3.0 * frame), (210.0 - wave, 220.0 + wave), tip, 120.0 + wave)


def judged(line, radius: float) -> tuple[int, float]:
    """How many tips are found, and the largest error over its deviation."""
    record = Painted(
        SIZE, COUNT, line, radius=lambda n: np.full(n, radius), noise=6.0, wires=False
    )  # fmt: skip
    frames = record.all()
    found = tip_track(tips_in(frames, background(frames)))
    off = [
        float(np.abs(uv - line(f)[-1]).max()) for f, uv in zip(found.frame, found.uv, strict=True)
    ]
    return len(off), max((o / sd for o, sd in zip(off, found.sd, strict=True)), default=0.0)


@pytest.mark.parametrize("radius", [1.2, 4.0])
def test_a_part_that_stands_still_is_no_end(radius: float) -> None:
    found, worst = judged(standing, radius)
    assert found > 12
    assert worst < 5.0


@pytest.mark.parametrize("radius", [1.5, 4.0])
def test_a_crossing_and_a_fold_are_no_tip(radius: float) -> None:
    assert judged(crossing, radius)[1] < 5.0
