"""Places that a motion contradicts, against motions whose truth is known."""

import numpy as np
import pytest

from lashwave.points.tip.in_time import uncontradicted, widened


def path(count: int = 24) -> tuple[np.ndarray, np.ndarray]:
    """A tip that turns about and speeds up to 60 px a frame."""
    frame = np.arange(count)
    angle = 0.08 * frame
    radius = 300.0 + 12.0 * frame
    return frame, 500.0 + radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])


@pytest.mark.parametrize("seed", range(3))
def test_one_lie_of_21_px_is_left_out_and_nothing_else(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frame, uv = path()
    sd = np.full(frame.size, 0.4)
    uv = uv + 0.4 * rng.standard_normal(uv.shape)
    assert uncontradicted(frame, uv, sd).all()
    liar = int(rng.integers(3, frame.size - 3))
    uv[liar] += 21.0 * np.array([0.6, 0.8])
    assert np.flatnonzero(~uncontradicted(frame, uv, sd)).tolist() == [liar]


def test_a_jerky_motion_is_no_lie() -> None:
    frame, uv = path()
    uv = uv + 12.0 * np.sin(frame)[:, None]
    assert uncontradicted(frame, uv, np.full(frame.size, 0.1)).mean() > 0.9


def test_a_doubtful_place_needs_others() -> None:
    frame, uv = path()
    alone = np.array([0, 1, 2, 3, 4, 5, 20])
    sd = np.full(alone.size, 0.2)
    assert uncontradicted(frame[alone], uv[alone], sd).all()
    sd[-1] = 1.5
    assert uncontradicted(frame[alone], uv[alone], sd).tolist() == [True] * 6 + [False]


def test_no_places() -> None:
    assert uncontradicted(np.empty(0, dtype=np.int64), np.empty((0, 2)), np.empty(0)).size == 0


def test_a_place_that_stands_out_is_given_a_deviation_that_holds_it() -> None:
    frame = np.arange(16)
    uv = np.column_stack([9.0 * frame, 60.0 + 0.3 * frame**2])
    sd = np.full(frame.size, 0.4)
    assert widened(frame, uv, sd).tolist() == sd.tolist()
    uv[8] += (4.0, 3.0)
    wide = widened(frame, uv, sd)
    assert 1.0 < wide[8] < 1.6
    assert (wide[[0, 1, 2, 13, 14, 15]] == 0.4).all()
