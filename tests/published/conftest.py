"""Chains of simple lines, and their small vibrations, for the published checks."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from lashwave.mechanics.chain import Chain, build
from lashwave.mechanics.grip import fixed
from lashwave.mechanics.rates import derivative, room
from lashwave.mechanics.simulation import setup, start_state
from lashwave.quantities.line import Line
from tests.mechanics.vacuum import VACUUM


def uniform(length: float, mass: float, stiffness: float, links: int, clamp: bool = False) -> Chain:
    """A uniform line; clamp: held in direction too, by a half-length joint at the grip."""
    return tapered(
        length, lambda x: mass / length + 0 * x, lambda x: stiffness + 0 * x, links, clamp
    )


def tapered(length, density, stiffness, links, clamp=False, rows=401):  # type: ignore[no-untyped-def]
    """Density and stiffness as functions of s / L."""
    x = np.linspace(0, 1, rows)
    line = Line(x * length, np.full(rows, 1e-3), density(x), stiffness(x))
    chain = build(line, np.linspace(0, length, links + 1), line.bending_stiffness)
    if clamp:
        chain.bend[0] = stiffness(np.zeros(1))[0] / (0.5 * length / links)
    return chain


def frequencies(chain, position, grip, gravity, sideways=(0.0, 1.0, 0.0), count=5):  # type: ignore[no-untyped-def]
    """Angular frequencies [rad/s] of small vibrations along `sideways`, by central differences."""
    ready = setup(chain, grip, VACUUM, gravity, None, None)
    start = start_state(chain, ready, position, None)
    links, space = ready.last - ready.first, room(chain.links)
    slope = np.empty_like(start)
    matrix = np.empty((links, links))
    for j in range(links):
        both = []
        for sign in (1, -1):
            state = start.copy()
            state[3 * j : 3 * j + 3] += sign * 1e-5 * np.asarray(sideways)
            state[3 * j : 3 * j + 3] /= np.linalg.norm(state[3 * j : 3 * j + 3])
            derivative(ready, 0.0, state, slope, space)
            both.append(slope[3 * links : 6 * links].reshape(links, 3) @ np.asarray(sideways))
        matrix[:, j] = (both[0] - both[1]) / 2e-5
    squares = np.sort(-np.linalg.eigvals(matrix).real)
    rigid = 1 if grip is None else 0
    return np.sqrt(squares[rigid : rigid + count])


def straight(chain: Chain, direction=(0.0, 0.0, -1.0)):  # type: ignore[no-untyped-def]
    return chain.station[:, None] * np.asarray(direction)


@pytest.fixture
def lines() -> SimpleNamespace:
    return SimpleNamespace(
        uniform=uniform,
        tapered=tapered,
        frequencies=frequencies,
        straight=straight,
        still=lambda direction: fixed(np.zeros(3), np.asarray(direction, dtype=float)),
    )
