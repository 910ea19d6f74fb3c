"""Fits made of imposed motions, whose answers are known in closed form."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from lashwave.quantities.fit import Draws, Fit, Residuals
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Camera, Clock, Markers
from lashwave.quantities.trial import Trial


def draws_of(time, station, position, velocity, **given) -> Draws:
    """Draws (D, K, S, 3) with plain forces; a single motion (K, S, 3) becomes one draw."""
    if position.ndim == 3:
        position, velocity = position[None], velocity[None]
    count, times, stations = position.shape[:3]
    fields = {
        "tension": np.ones((count, times, stations)),
        "hand_force": np.zeros((count, times, 3)),
        "hand_power": np.zeros((count, times)),
        "kinetic_energy": np.zeros((count, times)),
        "shared": {},
    }
    return Draws(time, station, position, velocity, **(fields | given))


def rod(time, station, angle, rate, butt=(0.0, 0.0, 0.0)):
    """Position and velocity (K, S, 3) of a straight rod turning about its butt in x and z."""
    along = np.stack([np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=-1)
    across = np.stack([-np.sin(angle), np.zeros_like(angle), np.cos(angle)], axis=-1)
    position = np.asarray(butt) + station[None, :, None] * along[:, None]
    velocity = station[None, :, None] * rate[:, None, None] * across[:, None]
    return position, velocity


def fit_of(draws: Draws, **given) -> Fit:
    """A fit around draws: the mean motion, nothing else."""
    shape = draws.position.shape[1:3]
    none = np.empty((0, 0))
    return Fit(
        time=draws.time,
        station=draws.station,
        position=draws.position.mean(axis=0),
        position_sd=draws.position.std(axis=0),
        velocity=draws.velocity.mean(axis=0),
        velocity_sd=draws.velocity.std(axis=0),
        acceleration=np.zeros((*shape, 3)),
        curvature=np.zeros(shape),
        tension=np.zeros(shape),
        tension_sd=np.zeros(shape),
        draws=draws,
        residuals=Residuals(np.empty((0, 0, 3)), none, {}, {}, 0.0),
        shared=given.pop("shared", {}),
        **given,
    )


def trial_of(length: float = 2.0, handle: float = 0.2) -> Trial:
    """A trial of a uniform line with one camera, as far as the answers look at it."""
    line = Line(
        station=np.array([0.0, length]),
        diameter=np.full(2, 4e-3),
        linear_density=np.full(2, 0.01),
        handle_length=handle,
    )
    time = np.linspace(0.0, 1.0, 501)
    markers = Markers(
        time=time,
        labels=("A",),
        position=np.zeros((501, 1, 3)),
        sd=np.full((501, 1), 1e-3),
        station=np.array([0.1]),
    )
    camera = Camera("tip-view", 2e4, (512, 512), np.eye(3, 4), Clock(), 0.4)
    return Trial("imposed", line, markers, cameras=(camera,))


class Imposed:
    """The makers above, as one fixture."""

    draws: Callable[..., Draws] = staticmethod(draws_of)
    rod: Callable[..., tuple[np.ndarray, np.ndarray]] = staticmethod(rod)
    fit: Callable[..., Fit] = staticmethod(fit_of)
    trial: Callable[..., Trial] = staticmethod(trial_of)


@pytest.fixture
def imposed() -> Imposed:
    return Imposed()
