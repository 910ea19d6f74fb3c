"""The step of the line's edge where strands begin, on painted pictures (see `painted_line`)."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lashwave.points.tip.bar_fit import TipFit, pooled
from lashwave.points.tip.tuft import at_edge_step, credible, edge_step
from tests.points.painted_line import coverage

cv2.setNumThreads(1)
SIZE = (160, 96)
HALF = 2.4


def middle(bend: float) -> np.ndarray:
    """(M, 2) from the left edge of the picture to u = 130."""
    u = np.linspace(-5.0, 130.0, 136)
    return np.column_stack([u, 48.0 + 0.5 * bend * (u - 80.0) ** 2])


def picture(bend: float, strands: float | None, front: bool = False, seed: int = 0) -> np.ndarray:
    """Darkness: a line to u = 90, then a bundle of `strands` half width, or more line (None)."""
    way = middle(bend)
    inner = way[way[:, 0] <= 90.0]
    hidden = coverage(inner, np.full(len(inner), HALF), SIZE, 5)
    beyond = way[way[:, 0] >= 90.0]
    wide = HALF if strands is None else strands
    hidden = np.maximum(hidden, coverage(beyond, np.full(len(beyond), wide), SIZE, 5))
    light = 1.0 - 0.985 * cv2.GaussianBlur(hidden, (0, 0), 0.7)
    if front:  # dark under the line from 6 px before the tip on
        v, u = np.mgrid[: SIZE[1], : SIZE[0]]
        light[(v > 48) & (u > 84)] *= 0.4
    noise = np.random.default_rng(seed).normal(0.0, 0.02, light.shape)
    return (1.0 - light + noise).astype(np.float32)


def inward(bend: float, end: float) -> np.ndarray:
    """(M, 2) the line's middle from a dark end inward, as `tips_in` hands it over."""
    way = middle(bend)
    return way[way[:, 0] <= end][::-1]


@pytest.mark.parametrize("bend", [0.0, 0.004, -0.004])
@pytest.mark.parametrize("end", [92.0, 101.0, 109.0])
@pytest.mark.parametrize("front", [False, True])
def test_the_step_is_where_the_strands_begin(bend: float, end: float, front: bool) -> None:
    found = edge_step(picture(bend, 1.2, front), (0, 0), inward(bend, end))
    assert found is not None
    # The painter's line ends round, half its width beyond its last point, under the bundle.
    assert -0.5 < found.uv[0] - 90.0 < HALF
    assert found.step == pytest.approx(HALF - 1.2, abs=0.4)


@pytest.mark.parametrize("bend", [0.0, 0.004, -0.004])
def test_a_line_that_goes_on_has_no_step(bend: float) -> None:
    for seed in range(5):
        assert edge_step(picture(bend, None, seed=seed), (0, 0), inward(bend, 101.0)) is None


def fit(u: float) -> TipFit:
    nothing = np.zeros((2, 2))
    ahead = np.array([1.0, 0.0])
    return TipFit(np.array([u, 48.0]), nothing, 0.5, 0.4, np.zeros(2), ahead, 4.8, 0.98, 0.5)


def test_where_strands_are_an_end_that_no_step_tells_is_not_believed() -> None:
    told = at_edge_step(picture(0.0, 1.2), (0, 0), inward(0.0, 101.0), fit(101.0))
    untold = at_edge_step(picture(0.0, None), (0, 0), inward(0.0, 101.0), fit(101.0))
    free = fit(90.0)
    assert told.moved is not None and 8.0 < told.moved < 11.5
    assert told.sd < untold.sd
    assert credible([told, untold, free], False).tolist() == [True, False, True]
    assert credible([untold, free], False).all()
    assert credible([untold, free], True).tolist() == [False, True]
    assert credible([], False).size == 0


def test_a_step_of_one_edge_alone_is_dust() -> None:
    light = 1.0 - picture(0.0, None)
    light[44:48, 92:130] = np.maximum(light[44:48, 92:130], [[0.99], [0.99], [0.5], [0.1]])
    assert edge_step((1.0 - light).astype(np.float32), (0, 0), inward(0.0, 101.0)) is None


def test_a_step_in_noise_may_be_elsewhere_and_is_less_sure() -> None:
    def doubt(noise: float) -> float:
        rng = np.random.default_rng(3)
        clean = picture(0.0, 1.6)
        noisy = [clean + rng.normal(0.0, noise, clean.shape).astype(np.float32) for _ in range(12)]
        found = [edge_step(dark, (0, 0), inward(0.0, 101.0)) for dark in noisy]
        return float(np.mean([f.along_sd for f in found if f is not None]))

    assert doubt(0.12) > 3.0 * doubt(0.01)


def test_a_round_end_is_left_open_and_allowed_for_where_other_frames_tell_it() -> None:
    line = inward(0.0, 101.0)
    told = at_edge_step(picture(0.0, 1.2), (0, 0), line, fit(101.0))
    wide = at_edge_step(picture(0.0, 1.2), (0, 0), line, replace(fit(101.0), width=14.0))
    # 0.4 of 0.8 half widths along the line, unsure.
    more = wide.covariance[0, 0] - told.covariance[0, 0]
    assert more == pytest.approx((0.4 * 0.8) ** 2 * (7.0**2 - 2.4**2), rel=1e-6)
    assert wide.covariance[1, 1] == pytest.approx(told.covariance[1, 1], rel=1e-6)
    assert wide.uv.tolist() == told.uv.tolist()
    round_ends = [replace(fit(90.0), roundness=1.0, roundness_sd=0.05, covariance=0.01 * np.eye(2))]
    pooled_one = pooled([wide, *round_ends])[0]
    assert wide.uv[0] - pooled_one.uv[0] == pytest.approx(0.8 * 7.0, rel=0.1)
    assert pooled_one.sd < wide.sd
