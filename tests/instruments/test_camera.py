"""Projection, held against OpenCV 5.0.0 (`cv2.projectPoints`) and against plain geometry.

The OpenCV numbers were computed once, with the parameters below, and typed here; OpenCV is no
dependency. Its derivative by the translation, turned into lab axes, is the derivative by the
point.
"""

import numpy as np
import pytest

from lashwave.instruments.camera import exposed, in_view, project, project_jacobian
from lashwave.quantities.sightings import Camera, Clock

INTRINSICS = np.array([[1200.0, 0.0, 511.5], [0.0, 1180.0, 383.5], [0.0, 0.0, 1.0]])
ROTATION = np.array(
    [
        [0.935754803, -0.302932713, -0.180540077],
        [0.283164961, 0.950580618, -0.127334575],
        [0.210191706, 0.068031316, 0.975290309],
    ]
)
TRANSLATION = np.array([[0.05], [-0.1], [2.0]])
DISTORTION = np.array([-0.21, 0.08, 0.0012, -0.0007, -0.013])
POINTS = np.array([[0, 0, 0], [0.4, 0.3, 0.2], [-0.5, 0.2, -0.3], [0.6, -0.45, 0.5]], dtype=float)
PRINTED_PLAIN = [
    [541.5, 324.5],
    [666.651146819, 523.574910922],
    [196.409364187, 373.812744908],
    [816.942685553, 190.942204686],
]
PRINTED_BENT = [
    [541.473060926, 324.55224268],
    [665.649327863, 522.73742832],
    [200.689604198, 374.043843208],
    [810.974809819, 194.785521657],
]
PRINTED_SLOPE_LAST = [
    [393.782157152, -134.385823162, -189.904886558],
    [147.48849245, 423.406737119, 10.742631082],
]
ROUNDING = 2e-6  # px: the rotation is typed to 1e-9 and is multiplied by 1200 px


def pinhole(distorted: bool) -> Camera:
    return Camera(
        name="c",
        rate=2e4,
        size=(1024, 768),
        projection=INTRINSICS @ np.hstack([ROTATION, TRANSLATION]),
        clock=Clock(),
        sd=0.4,
        intrinsics=INTRINSICS if distorted else None,
        distortion=DISTORTION if distorted else None,
    )


def parallel(exposure: float = 0.0) -> Camera:
    projection = np.array([[2000.0, 0, 0, 100], [0, 0, -2000.0, 900], [0, 0, 0, 1]])
    return Camera("p", 2e4, (1024, 1024), projection, Clock(), 0.4, exposure=exposure)


@pytest.mark.parametrize("distorted, printed", [(False, PRINTED_PLAIN), (True, PRINTED_BENT)])
def test_projection_agrees_with_opencv(distorted, printed):
    assert np.abs(project(pinhole(distorted), POINTS) - printed).max() < ROUNDING


def test_derivative_agrees_with_opencv():
    slope = project_jacobian(pinhole(True), POINTS)[3]
    assert np.abs(slope - PRINTED_SLOPE_LAST).max() < 1e-5  # px/m, typed to 1e-9


@pytest.mark.parametrize("camera", [pinhole(False), pinhole(True), parallel()])
def test_derivative_is_the_difference_quotient(camera):
    step = 1e-5
    for axis in range(3):
        move = np.eye(3)[axis] * step
        quotient = (project(camera, POINTS + move) - project(camera, POINTS - move)) / (2 * step)
        # central differences: third derivative of order 1e4 px/m3 times step^2, plus rounding
        assert np.abs(quotient - project_jacobian(camera, POINTS)[..., axis]).max() < 1e-5


def test_parallel_light_does_not_see_depth_and_hides_nothing():
    near, far = project(parallel(), [[0.1, -5.0, 0.2], [0.1, 5.0, 0.2]])
    np.testing.assert_array_equal(near, far)
    np.testing.assert_allclose(near, [300.0, 500.0], rtol=1e-15)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_point_behind_the_camera_has_no_image(sign):
    camera = pinhole(False)
    camera = Camera("c", 2e4, (1024, 768), sign * camera.projection, Clock(), 0.4)
    behind = (ROTATION.T @ (np.array([0.0, 0.0, -1.0]) - TRANSLATION[:, 0]))[None]
    assert np.isnan(project(camera, behind)).all()
    assert np.isfinite(project(camera, POINTS)).all()


def test_edges_of_the_sensor():
    camera = parallel()
    assert in_view(camera, [[-0.5, 0.0], [1023.5, 1023.0]]).all()
    assert not in_view(camera, [[-0.51, 0.0], [np.nan, 3.0]]).any()


def test_blur_of_a_circling_point_is_the_chord_average():
    # Mean of cos over -w/2 ... w/2 is sinc: a point on a circle of radius R turning by the angle
    # w within the exposure leaves a centroid at R sin(w/2) / (w/2) (plain integration).
    radius, turn, exposure = 0.1, 0.6, 20e-6
    spin = turn / exposure

    def place(t):
        return radius * np.stack([np.cos(spin * t), 0 * t, np.sin(spin * t)], axis=-1)

    camera = parallel(exposure)
    uv = exposed(camera, np.array([0.0]), place)[0]
    exact = 100 + 2000 * radius * np.sin(turn / 2) / (turn / 2)
    assert abs(uv[0] - exact) < 1e-5  # Gauss's remainder: 200 px * 0.6^6 / 2e6 / 7! and less
