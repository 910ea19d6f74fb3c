"""Frames of our own with rings of light and dark, to hold the finder against known truth."""

from __future__ import annotations

import numpy as np

from lashwave.quantities.sightings import Camera, Clock

RATE = 20e3
VIEW = 0.35  # [m]
SIZE = (1024, 640)
SOUND = 343.2  # [m/s], 20 degC, dry, ISO 9613-1


def camera(offset: float = 0.0) -> Camera:
    """Parallel light along y: u along x, v against z, the view's middle at x = z = 0."""
    scale = SIZE[0] / VIEW
    projection = np.array(
        [
            [scale, 0.0, 0.0, 0.5 * (SIZE[0] - 1)],
            [0.0, 0.0, -scale, 0.5 * (SIZE[1] - 1)],
            [0.0, 0.0, 0.0, 1.0],
        ]
    )
    return Camera("tip-view", RATE, SIZE, projection, Clock(offset, 0.0), 0.4)


def rings(
    centre: tuple[float, float],
    born: float,
    frames: int,
    rng: np.random.Generator,
    contrast: float = 14.0,
    noise: float = 3.0,
    speed: float = SOUND,
) -> list[np.ndarray]:
    """8-bit frames of one sphere sent from `centre` (x, z) [m] at camera time `born` [s].

    The pair is the slope of a Gaussian 1.5 px wide, its steepest place at the sphere's silhouette;
    its contrast [grey levels] at 100 px falls with R^-1/2. Uneven light, two straight wires and
    one at a slant, dust, a flash in one frame, and white noise.
    """
    scale = SIZE[0] / VIEW
    v, u = np.mgrid[: SIZE[1], : SIZE[0]].astype(np.float32)
    light = 120.0 + 0.03 * u - 0.02 * v - 30.0 * ((u - 480) / 700) ** 2
    for away in (v - 200.0 - 0.002 * u, u - 731.0, 0.6 * u - 0.8 * v + 90.0):
        light *= 1.0 - 0.6 * np.exp(-0.5 * (away / 1.3) ** 2)
    for _ in range(150):
        a, b = rng.uniform(0, SIZE[0]), rng.uniform(0, SIZE[1])
        spot = np.exp(-0.5 * ((u - a) ** 2 + (v - b) ** 2) / rng.uniform(0.8, 2.5) ** 2)
        light *= 1.0 - 0.5 * spot
    uc = 0.5 * (SIZE[0] - 1) + scale * centre[0]
    vc = 0.5 * (SIZE[1] - 1) - scale * centre[1]
    rho = np.hypot(u - uc, v - vc)
    found = []
    for f in range(frames):
        radius = scale * speed * (f / RATE - born)
        image = light * (1.2 if f == frames // 2 else 1.0)
        if radius > 0.0:
            away = (rho - radius) / 1.5
            strength = contrast * np.sqrt(100.0 / max(radius, 10.0))
            image = image * (1.0 - strength / 120.0 * 1.65 * away * np.exp(-0.5 * away**2))
        image = image + noise * rng.standard_normal(image.shape)
        found.append(np.clip(np.rint(image), 0, 255).astype(np.uint8))
    return found
