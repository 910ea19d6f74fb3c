"""Bright dots: centroid, blur, photon and read noise (EMVA 1288; the
model from memory), saturation."""

import numpy as np
import pytest

from lashwave.instruments.camera import exposed
from lashwave.instruments.sensor import Sensor, Spot, dot_light, over_exposure, read_out
from lashwave.quantities.sightings import Camera, Clock
from tests.published.record import derived

BLUR = derived("definition, b = V t")

PLAIN = Spot(spread=0.8, bloom=0.0)


def camera(exposure: float) -> Camera:
    projection = np.array([[1000.0, 0, 0, 320], [0, 0, -1000.0, 256], [0, 0.2, 0, 1]])
    return Camera("c", 500.0, (640, 512), projection, Clock(), 0.1, exposure=exposure)


def moments(light: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centroid (2,) and covariance (2, 2) of an image's light."""
    light = light.astype(float)
    grid = np.stack(np.meshgrid(np.arange(light.shape[1]), np.arange(light.shape[0])), axis=-1)
    share = light / light.sum()
    mean = np.einsum("vu,vuc->c", share, grid)
    off = grid - mean
    return mean, np.einsum("vu,vuc,vud->cd", share, off, off)


@pytest.mark.parametrize("bloom", [0.0, 0.02])
def test_a_dot_has_its_centroid_where_it_was_put_and_all_its_light(bloom):
    uv = np.array([[100.3712, 90.8264]])
    light = dot_light((200, 180), uv[None], np.ones(1), 5e4, Spot(0.8, bloom))
    assert np.abs(moments(light)[0] - uv[0]).max() < 1e-3
    assert light.sum() == pytest.approx(5e4, rel=1e-5)


def test_a_moving_dot_has_the_centroid_of_its_path():
    """Held against `camera.exposed`, another quadrature of the same path."""
    view = camera(4e-4)

    def place(t):
        x = 60.0 * t + 2e4 * t * t
        return np.stack([x, 0.1 * x, 0.02 + 10.0 * t], axis=-1)[:, None]

    path, weights = over_exposure(view, 1e-3, place, 0.8)
    light = dot_light(view.size, path, weights, 1e5, PLAIN)
    whole = exposed(view, np.array([1e-3]), lambda t: place(t)[:, 0])[0]
    assert np.abs(moments(light)[0] - whole).max() < 1e-3


def test_the_blur_is_speed_times_exposure(check):
    """b = V t_e, by definition. A uniform streak of length b has variance b^2 / 12 along itself."""
    view = camera(3e-4)
    speed = np.array([40.0, 0.0, 30.0])
    path, weights = over_exposure(view, 0.0, lambda t: (t[:, None] * speed)[:, None], 0.8)
    light = dot_light(view.size, path, weights, 1e5, PLAIN)
    spread = np.linalg.eigvalsh(moments(light)[1])
    assert spread[0] == pytest.approx(0.8**2 + 1 / 12, rel=1e-3)  # one pixel wide itself
    length = np.sqrt(12.0 * (spread[1] - spread[0]))
    check("blur, speed times exposure", length, 50.0 * 3e-4 * 1000.0, BLUR, rel=1e-3)
    along = light[int(256 - 2 * 2.25), :].astype(float)
    assert along.max() > 0  # the streak runs up to the right: v falls as z grows
    assert moments(light)[1][0, 1] < 0


def test_shot_noise_has_the_variance_of_its_electrons():
    """EMVA 1288: variance = electrons + read noise^2, plus 1/12 of a grey level squared."""
    sensor = Sensor(bits=16, full_well=65535.0, read_noise=6.0)
    light = np.full((400, 500), 900.0, dtype=np.float32)
    image = read_out(light, sensor, np.random.default_rng(1)).astype(float)
    count = image.size
    assert image.mean() == pytest.approx(900.0, abs=5 * np.sqrt(936.0 / count))
    assert image.var() == pytest.approx(936.0 + 1 / 12, rel=5 * np.sqrt(2.0 / count))


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_too_much_light_saturates_at_the_highest_level(bits):
    sensor = Sensor(bits=bits, full_well=1e4)
    light = np.array([[0.0, 5e3, 1e4, 9e4]], dtype=np.float32)
    image = read_out(light, sensor)
    assert image.dtype == (np.uint8 if bits == 8 else np.uint16)
    top = 2**bits - 1
    assert image.tolist() == [[0, round(top / 2), top, top]]


def test_a_dot_behind_the_camera_or_beyond_the_edge_is_left_out_or_cut():
    path = np.array([[[np.nan, np.nan], [-0.5, 20.0], [900.0, 20.0]]])
    light = dot_light((64, 48), path, np.ones(1), [1e3, 1e3, 1e3], PLAIN)
    # Half of the second dot lies left of the image, whose edge is half a pixel beyond centre 0.
    assert light.sum() == pytest.approx(500.0, rel=1e-4)
