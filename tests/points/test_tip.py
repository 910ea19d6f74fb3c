"""The tip of a painted line: bias, honesty, doubt; and none in real frames without a line."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from lashwave.points.background import background
from lashwave.points.tip.bar_fit import _model
from lashwave.points.tip.find_tip import tip_track, tips_in
from tests.points.painted_line import Painted, bend, coverage, front

cv2.setNumThreads(1)
SIZE = (320, 256)
REAL = Path(__file__).parents[3] / "shared" / "data" / "schlieren_2khz"


def whip(frame: float) -> np.ndarray | None:
    """Comes in from the left, swings through, goes out at the right."""
    tip = np.array([-30.0 + 9.0 * frame, 130.0 + 50.0 * np.sin(frame / 7.0)])
    if tip[0] < -15:
        return None
    return bend(np.array([-20.0, 70.0 + frame]), np.array([0.5 * tip[0], 20.0 + 2.0 * frame]), tip)


def errors(painted: Painted, exposure: float = 0.0):
    frames = painted.all()
    found = tip_track(tips_in(frames, background(frames), exposure))
    true = np.array([painted.line(f)[-1] for f in found.frame])
    return found, found.uv - true.reshape(-1, 2)


@pytest.mark.parametrize("noise", [4.0, 17.0])
def test_tip_is_unbiased_and_its_sd_is_honest(noise):
    # 17 grey levels of noise on a line 170 deep: contrast over noise of 10.
    parts = [errors(Painted(SIZE, 38, whip, noise=noise, seed=s, wires=False)) for s in range(3)]
    off = np.concatenate([p[1] for p in parts])
    sd = np.concatenate([p[0].sd for p in parts])
    assert len(off) > 75
    assert np.abs(off.mean(axis=0)).max() < 0.1
    ratio = np.sqrt(np.mean((off / sd[:, None]) ** 2))
    assert 0.7 < ratio < 1.3
    assert np.abs(off).max() < 5 * sd.max()


def test_derivatives_of_the_bar_agree_with_differences():
    places = np.random.default_rng(0).uniform(-10, 10, (50, 2))
    p = np.array([0.3, 0.2, 0.7, 0.02, np.log(3.0), np.log(0.8), 0.9, 0.01, 0.6, 0.02, 0.003])
    for stroke in (np.zeros(2), np.array([2.0, 3.0])):
        slopes = _model(p, places, stroke)[1]
        for k, step in enumerate(1e-6 * np.eye(11)):
            up, down = _model(p + step, places, stroke)[0], _model(p - step, places, stroke)[0]
            np.testing.assert_allclose(slopes[:, k], (up - down) / 2e-6, atol=1e-6)


def test_the_bar_is_what_is_painted():
    # A thick polyline at 225 samples a pixel, blurred and then gathered into pixels.
    ends = (np.array([[5.0, 30.0], [40.3, 33.1]]) + 0.5) * 15 - 0.5
    hidden = coverage(ends, np.full(2, 30.0), (960, 960), 1)
    hidden = cv2.GaussianBlur(hidden, (0, 0), 0.7 * 15)
    hidden = hidden.reshape(64, 15, 64, 15).mean(axis=(1, 3))[24:42, 28:54]
    v, u = np.mgrid[24:42, 28:54].astype(float)
    angle, blur = np.arctan2(3.1, 35.3), np.hypot(0.7, 12**-0.5)  # a pixel's own: 1 / sqrt(12)
    p = np.array([40.3, 33.1, angle, 0, np.log(4.0), np.log(blur), 1.0, 0, 1.0, 0.0, 0.0])
    dark = _model(p, np.column_stack([u.ravel(), v.ravel()]), np.zeros(2))[0]
    np.testing.assert_allclose(hidden.ravel(), dark, atol=0.01)


def test_motion_blur_does_not_pull_the_tip():
    painted = Painted(SIZE, 38, whip, noise=4.0, exposure=0.4, wires=False)
    found, off = errors(painted, 0.4)  # a stroke of 4 px and more
    assert len(off) > 20
    assert np.abs(off.mean(axis=0)).max() < 0.15
    assert np.sqrt(np.mean((off / found.sd[:, None]) ** 2)) < 2.0


def test_wires_and_a_passing_front_cost_frames_but_tell_no_lies():
    others = [
        lambda f: front(SIZE, (100.0, 130.0), 15.0 + 5.0 * f, 0.35),
        lambda f: front(SIZE, (260.0, 40.0), 10.0 + 6.0 * f, 0.2),
    ]
    for other in others:
        found, off = errors(Painted(SIZE, 38, whip, noise=4.0, others=other))
        assert len(off) >= 18
        assert (np.abs(off).max(axis=1) < 5 * np.maximum(found.sd, 0.1)).all()


def test_nothing_but_fronts_dust_and_wires_is_no_tip():
    for strength in (0.1, 0.3, 0.6):
        painted = Painted(
            SIZE,
            30,
            lambda f: None,
            noise=4.0,
            others=lambda f, s=strength: front(SIZE, (-40.0, 100.0), 20.0 + 11.0 * f, s),
        )
        assert errors(painted)[0].frame.size == 0


def test_a_line_that_hangs_through_has_no_tip():
    def through(frame: float) -> np.ndarray:
        low = np.array([90.0 + 5 * frame, 290.0])
        return bend(np.array([60.0 + 5 * frame, -20.0]), np.array([160.0, 120.0]), low)

    painted = Painted(SIZE, 30, through, noise=4.0)
    assert errors(painted)[0].frame.size == 0


def test_a_tip_that_leaves_and_comes_back_is_found_again():
    def bounce(frame: float) -> np.ndarray:
        tip = np.array([160.0 + 12.0 * np.sin(frame), 150.0 - 140.0 * np.sin(frame / 8.0)])
        return bend(np.array([-20.0, 200.0]), np.array([90.0, 180.0 - 2.0 * frame]), tip)

    painted = Painted(SIZE, 50, bounce, noise=4.0)
    found, off = errors(painted)
    v = np.array([bounce(f)[-1][1] for f in range(50)])
    gone = np.flatnonzero((v < 0) | (v > SIZE[1] - 1))
    assert gone.size and np.intersect1d(found.frame, gone).size == 0
    inside = np.flatnonzero((v > 15) & (v < SIZE[1] - 16))
    assert np.intersect1d(found.frame, inside).size > 0.7 * inside.size
    assert np.abs(off).max() < 1.0


@pytest.mark.skipif(not REAL.is_dir(), reason="shared/data/schlieren_2khz is not here")
def test_real_frames_without_a_line_show_no_tip():
    # Shocks, blades, wires and dust of a wind-tunnel passage (see the folder's SOURCE.md).
    frames = [cv2.imread(str(p), cv2.IMREAD_UNCHANGED) for p in sorted(REAL.glob("*.png"))]
    assert len(frames) == 12
    assert tip_track(tips_in(frames, background(frames))).frame.size == 0
