"""Rays of pixels against the projection they undo."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.instruments.camera import project
from lashwave.instruments.triangulation import rays
from lashwave.quantities.sightings import Camera, Clock

INNER = np.array([[900.0, 0, 320], [0, 905.0, 240], [0, 0, 1]])
PARALLEL = np.array([[2e3, 100.0, 0, 320], [50.0, 0, -2e3, 240], [0, 0, 0, 1]])
NEAR = INNER @ np.column_stack([np.eye(3), [0.1, -0.2, 2.0]])
LENS = np.array([-0.2, 0.05, 1e-3, -5e-4, 0.01])


@pytest.mark.parametrize(
    ("projection", "lens"), [(PARALLEL, None), (NEAR, None), (-NEAR, None), (NEAR, LENS)]
)
def test_a_point_lies_on_the_ray_of_its_pixel(
    projection: np.ndarray, lens: np.ndarray | None
) -> None:
    inner = None if lens is None else INNER
    camera = Camera(
        "c", 1e4, (640, 480), projection, Clock(), 0.1, intrinsics=inner, distortion=lens
    )
    points = 0.3 * np.random.default_rng(0).uniform(-1, 1, (20, 3))
    found = rays(camera, project(camera, points))
    assert np.abs(found.distance(points)).max() < 1e-7
    ahead = np.einsum("nc,nc->n", points - found.origin, found.direction)
    assert projection is PARALLEL or (ahead > 0).all()
