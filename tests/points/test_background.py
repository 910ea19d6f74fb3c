"""The empty picture and a frame's darkness, against a painted scene whose truth is known."""

import numpy as np
import pytest

from lashwave.points.background import background, darkness, light, spread_frames
from lashwave.quantities.errors import InputError
from tests.points.painted_line import Painted, bend

SIZE = (256, 192)


def sweep(frame: float) -> np.ndarray:
    """A line that hangs in from the top and swings across."""
    tip = np.array([20.0 + 3.0 * frame, 120.0])
    return bend(np.array([130.0, -20.0]), np.array([130.0 + frame, 40.0]), tip)


def test_level_and_noise_are_those_of_the_scene_though_a_line_passes():
    painted = Painted(SIZE, 70, sweep, noise=4.0)
    scene = background(painted)
    far = scene.level > 100
    off = (scene.level - painted.scene)[far]
    # 64 frames: the mean's own noise is 4 / 8; the line covers a pixel near the entry half the time
    assert np.sqrt(np.mean(off**2)) < 1.15 * 4.0 / 8.0
    assert abs(np.mean(off)) < 0.1
    assert np.median(scene.noise[far]) == pytest.approx(np.hypot(4.0, 12**-0.5), rel=0.05)


def test_wires_are_unusable_and_open_ground_is_not():
    painted = Painted(SIZE, 40, lambda f: None, noise=2.0)
    scene = background(painted)
    assert not scene.usable[100, int(0.31 * SIZE[0] - 0.02 * 100)]
    assert scene.usable.mean() > 0.97


@pytest.mark.parametrize("gain, added", [(1.0, 0.0), (1.0, 25.0), (1.12, 0.0)])
def test_a_frame_s_own_light_is_taken_out(gain, added):
    painted = Painted(SIZE, 40, sweep, noise=2.0)
    scene = background(painted)
    frame = painted.clean(20) * gain + added
    found = light(np.rint(frame).astype(np.uint8), scene)
    at = 170.0
    assert found[0] * at + found[1] == pytest.approx(gain * at + added, abs=0.5)
    dark = darkness(np.rint(frame).astype(np.uint8), scene)
    assert abs(np.median(dark)) < 0.01


def test_a_lamp_that_flickers_is_not_noise():
    class Flicker(Painted):
        def __getitem__(self, frame):
            return np.rint(super().__getitem__(frame) * (1 + 0.1 * np.sin(frame))).astype(np.uint8)

    scene = background(Flicker(SIZE, 40, lambda f: None, noise=2.0))
    assert np.median(scene.noise) < 2.5  # 10 % of 170 grey levels would be 12


def test_sample_is_spread_and_leaves_out_what_it_is_told():
    chosen = spread_frames(1000, skip=range(0, 1000, 2))
    assert chosen.size == 64 and (chosen % 2 == 1).all()
    assert chosen[0] == 1 and chosen[-1] == 999


def test_too_few_frames_and_black_ones_are_one_clear_line():
    with pytest.raises(InputError, match="frames are too few"):
        background(Painted(SIZE, 4, sweep))
    with pytest.raises(InputError, match="black"):
        background([np.zeros((64, 64), dtype=np.uint8)] * 8)
