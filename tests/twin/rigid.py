"""A throw that needs no engine: a straight line that turns about its butt, whip-fast for once.

The tip's speed is a bump that passes the speed of sound, so every truth is known in closed form.
"""

import numpy as np

from lashwave.mechanics.air import medium
from lashwave.twin.bench import DRAWS, observe
from lashwave.twin.truth import TrueMotion
from lashwave.twin.views import Wishes

PEAK, WIDTH, DURATION = 0.06, 1.5e-3, 0.12
MACH = 1.25


def rigid_throw(seed: int = 3, **wishes):
    """Trial and truth, as `lashwave.twin.make` gives them."""
    scene = DRAWS["throw"](seed, True)
    length = scene.lash.true.length
    station = np.unique(np.concatenate([np.linspace(0.0, length, 241), scene.lash.station]))
    sound = float(medium(scene.air).sound_speed)
    time = np.unique(
        np.concatenate([np.arange(0, DURATION, 1e-3), PEAK + np.arange(-1200, 1200) * 5e-6])
    )
    x = (time - PEAK) / WIDTH
    # Angle and its rate: tanh turns by 2 A in all, at a rate of A / WIDTH at the peak.
    turn = MACH * sound * WIDTH / length
    angle, rate = turn * np.tanh(x) + 1.2, turn / WIDTH / np.cosh(x) ** 2
    along = np.stack([np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=-1)
    across = np.stack([-np.sin(angle), np.zeros_like(angle), np.cos(angle)], axis=-1)
    place = station[:, None] * along[:, None] + [0.0, 0.0, 1.0]
    velocity = station[:, None] * (rate[:, None] * across)[:, None]
    flat = np.zeros(time.size)
    path = TrueMotion(
        time, station, place, velocity, np.zeros_like(place),
        np.ones((time.size, station.size - 1)), np.zeros((time.size, 3)), flat, flat + 1.0,
    )  # fmt: skip
    return observe(scene, path, Wishes(**wishes))
