"""A camera of a ring that was moved since it was calibrated, told by the throw's own points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from lashwave.instruments import in_view, project
from lashwave.points.dots.frame_points import DotsInFrame
from lashwave.points.dots.moved_ring import LOOKED_AT, moved_in_ring
from lashwave.quantities import Camera
from tests.points.lines import fold
from tests.points.test_marker_points import camera

RING = [replace(camera(0.3 + 1.1 * k, 0.3 + 0.2 * (k % 2), 1100.0), name=f"c{k}") for k in range(4)]
MOVES = {
    "slightly": ([0.002, -0.001, 0.001], [0.003, 0.0, -0.002]),
    "far": ([0.02, -0.04, 0.03], [0.03, -0.02, 0.01]),
}


def moved(one: Camera, turn: list[float], shift: list[float]) -> Camera:
    """Turned about its own centre [rad] and shifted [m], in the lab's axes."""
    centre = -np.linalg.solve(one.projection[:, :3], one.projection[:, 3])
    lab = np.eye(4)
    lab[:3, :3] = Rotation.from_rotvec(turn).as_matrix()
    lab[:3, 3] = centre + shift - lab[:3, :3] @ centre
    return replace(one, projection=one.projection @ lab)


def dots_of(cameras: list[Camera], noise: float = 0.1, lost: float = 0.1, seed: int = 1):
    """What cameras see of a line of dots that moves: with noise [px], a share lost, and strays."""
    rng = np.random.default_rng(seed)
    true = fold(LOOKED_AT, 14) - [0.4, 0.0, 0.2]
    frames = []
    for places in true:
        views = []
        for one in cameras:
            uv = project(one, places) + rng.normal(0.0, noise, (len(places), 2))
            uv = uv[in_view(one, uv) & (rng.random(len(places)) > lost)]
            uv = np.concatenate([uv, rng.uniform(0, 1000, (2, 2))])
            views.append(DotsInFrame(uv, np.full(len(uv), noise), np.zeros(len(uv), dtype=bool)))
        frames.append(views)
    return frames, true.reshape(-1, 3)


@pytest.mark.parametrize(("count", "how"), [(3, "slightly"), (3, "far"), (4, "far")])
def test_the_moved_one_is_named_and_placed(count: int, how: str) -> None:
    stated = RING[:count]
    for which in range(count if count == 3 else 1):
        truth = [moved(k, *MOVES[how]) if c == which else k for c, k in enumerate(stated)]
        frames, points = dots_of(truth)
        found = moved_in_ring(stated, frames)
        assert found is not None, which
        assert found.name == stated[which].name and found.camera is not None, found.text
        assert "moved since it was calibrated" in found.text and "the other cameras" in found.text
        off = project(found.camera, points) - project(truth[which], points)
        assert np.sqrt(np.mean(off**2)) < 0.25
        assert np.sqrt(np.mean(off**2)) < 5.0 * found.camera.registration_sd


@pytest.mark.parametrize("count", [2, 3, 4])
def test_cameras_that_stayed_are_not_spoken_of(count: int) -> None:
    for seed in range(5 - count):
        assert moved_in_ring(RING[:count], dots_of(RING[:count], lost=0.25, seed=seed)[0]) is None
    # Nor what the calibrations leave open: a fifth of a pixel each.
    off = [moved(k, [1.5e-4 * (-1) ** c, 1e-4, 0.0], [0, 0, 0]) for c, k in enumerate(RING[:count])]
    assert moved_in_ring(RING[:count], dots_of(off)[0]) is None


def test_of_two_cameras_that_disagree_neither_is_blamed() -> None:
    frames, _ = dots_of([RING[0], moved(RING[1], *MOVES["far"])])
    found = moved_in_ring(RING[:2], frames)
    assert found is not None and found.camera is None and found.name == ""
    assert "one of the two was moved" in found.text


def test_two_moved_of_three_are_not_explained_by_one() -> None:
    frames, _ = dots_of(
        [RING[0], moved(RING[1], *MOVES["far"]), moved(RING[2], [-0.03, 0.05, 0.0], [0, 0, 0])]
    )
    found = moved_in_ring(RING[:3], frames)
    assert found is not None and found.camera is None
    assert "no move of one camera explains it" in found.text


def test_pictures_without_dots_say_nothing() -> None:
    none = DotsInFrame(np.empty((0, 2)), np.empty(0), np.empty(0, dtype=bool))
    assert moved_in_ring(RING[:3], [[none] * 3] * LOOKED_AT) is None
