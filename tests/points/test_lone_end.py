"""A tip is given only where its end is the only one that the picture leaves open."""

from collections.abc import Callable

import numpy as np
import pytest

from lashwave.points.background import background
from lashwave.points.tip.find_tip import tip_track, tips_in
from lashwave.points.tip.in_time import of_one_motion
from lashwave.points.tip.still_line import with_line_lit
from tests.points.painted_line import Painted

SIZE, COUNT = (240, 200), 24
Line = Callable[[float], np.ndarray]


def curve(*places: tuple[float, float]) -> np.ndarray:
    """A Bezier curve, (80, 2) [px]."""
    s = np.linspace(0.0, 1.0, 80)[:, None]
    rows = [np.asarray(p, dtype=float) for p in places]
    while len(rows) > 1:
        rows = [(1.0 - s) * a + s * b for a, b in zip(rows[:-1], rows[1:], strict=True)]
    return rows[0]


def folded(frame: float) -> np.ndarray:
    """Goes to a sharp fold at the right and comes back, crossing itself, to a tip above: the fold
    is as dark and as long as the tip's own strand."""
    down = 1.5 * frame
    fold = np.array([190.0, 120.0 + down])
    out = np.linspace((-30.0, 60.0 + down), fold, 60)
    back = np.linspace(fold, (120.0, 60.0 + down), 40)
    return np.concatenate([out, back[1:]])


def slow(frame: float) -> np.ndarray:
    """Moves by half a pixel a frame: the background holds most of it."""
    tip = (170.0 + 2.0 * frame, 120.0 + 10.0 * np.sin(frame / 8.0))
    return curve((-30.0, 60.0), (60.0, 40.0 + 0.5 * frame), (120.0, 60.0 + 0.5 * frame), tip)


def crossed(frame: float) -> np.ndarray:
    """Turns back under itself and comes up through its own first part."""
    wave = 8.0 * np.sin(frame / 5.0)
    tip = (80.0 + 2.0 * frame, 90.0 - 2.0 * frame)
    return curve((-30.0, 130.0 + wave), (300.0, 60.0 + frame), (220.0, 240.0), tip)


def judged(line: Line, radius: float, noise: float = 5.0) -> tuple[int, list[float]]:
    """How many tips are found, and errors over deviations of those beyond five."""
    record = Painted(
        SIZE, COUNT, line, radius=lambda n: np.linspace(radius, 0.8 * radius, n), noise=noise,
        wires=False,
    )  # fmt: skip
    frames = record.all()
    found = tip_track(tips_in(frames, background(frames)))
    off = [np.abs(uv - line(int(f))[-1]).max() for f, uv in zip(found.frame, found.uv, strict=True)]
    over = [float(o / sd) for o, sd in zip(off, found.sd, strict=True)]
    return len(over), [o for o in over if o > 5.0]


@pytest.mark.parametrize("radius", [1.5, 3.0, 5.0])
def test_a_fold_beside_the_tip_is_not_taken_for_it(radius: float) -> None:
    assert judged(folded, radius)[1] == []


@pytest.mark.parametrize("radius", [3.5, 8.0])
def test_a_line_that_the_background_holds_is_seen_whole(radius: float) -> None:
    found, beyond = judged(slow, radius)
    assert found > 10
    assert beyond == []


@pytest.mark.parametrize("radius", [1.0, 2.0])
def test_a_thin_line_is_followed_through_its_own_crossing(radius: float) -> None:
    found, beyond = judged(crossed, radius)
    assert found > 10
    assert beyond == []


def test_wires_and_dust_are_not_lit_and_a_still_line_is() -> None:
    def still(frame: float) -> np.ndarray:
        return curve((-30.0, 60.0), (60.0, 50.0), (120.0, 80.0), (170.0, 120.0 + 0.1 * frame))

    def flying(frame: float) -> np.ndarray:
        return curve((-30.0, 8.0 * frame), (40.0, 4.0 * frame), (90.0, 8.0 * frame))

    def lit(line: Line) -> tuple[np.ndarray, int]:
        frames = Painted(SIZE, COUNT, line, radius=lambda n: np.full(n, 4.0)).all()
        scene = background(frames)
        return with_line_lit(scene)[1], int((~scene.usable).sum())

    none, hidden = lit(flying)
    assert none.sum() < 0.2 * hidden  # a doublet of dust
    own, _ = lit(still)
    row, column = np.rint(still(0.0)[20:60]).astype(int)[:, ::-1].T
    assert own[row, column].mean() > 0.9
    assert own.sum() < 3000


FRAME = np.arange(20)
FLIGHT = np.column_stack([5.0 * FRAME, 100.0 + 0.2 * FRAME**2])


def test_of_two_motions_the_much_longer_is_kept() -> None:
    assert of_one_motion(FRAME, FLIGHT).all()
    uv = FLIGHT.copy()
    uv[14:] += (0.0, 90.0)
    assert of_one_motion(FRAME, uv).tolist() == [True] * 14 + [False] * 6
    uv = FLIGHT.copy()
    uv[10:] += (0.0, 90.0)
    assert not of_one_motion(FRAME, uv).any()


def test_a_place_alone_far_from_the_rest_is_no_tip() -> None:
    kept = np.array([0, 1, 2, 3, 4, 12])
    uv = FLIGHT[kept].copy()
    assert of_one_motion(FRAME[kept], uv).all()
    uv[-1] += (0.0, 140.0)
    assert of_one_motion(FRAME[kept], uv).tolist() == [True] * 5 + [False]


def test_a_motion_that_gains_speed_while_hidden_has_not_leapt() -> None:
    frame = np.array([0, 1, 2, 3, 13, 14, 15, 16])
    u = np.where(frame < 5, 5.0 * frame, 15.0 + 0.75 * (frame - 3) ** 2 + 5.0 * (frame - 3))
    assert of_one_motion(frame, np.column_stack([u, np.zeros(8)])).all()
