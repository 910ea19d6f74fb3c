"""The blind trials' own engine, held against print, and against nothing of the project.

Sources: clamped beam (beta L)^2 = 3.516015 (textbook, e.g. Rao, Mechanical
Vibrations); coasting across itself V = V0 / (1 + k V0 t), k = rho Cd d / (2 mu) (integration);
hanging chain omega sqrt(L / g) = 1.202413 (Daniel Bernoulli; half the first zero of J0).
"""

from dataclasses import replace

import numpy as np
import pytest
from blind import CLAMP_SPAN, _closer
from engine import Specimen, Surroundings, march, settle

VACUUM = Surroundings(density=0.0, gravity=(0.0, 0.0, 0.0))


def beam(links: int, length: float, stiffness: float, density: float, friction: float) -> Specimen:
    """A clamped even beam: two driven nodes hold its direction, half a link makes the clamp."""
    h = length / links
    station = np.concatenate([[-0.1], np.linspace(0.0, length, links + 1)]) + 0.1
    mass = np.full(links + 2, density * h)
    mass[[1, -1]] *= 0.5
    bend = np.full(links + 2, stiffness / h)
    bend[[0, -1]] = 0.0
    bend[1] = stiffness / (0.5 * h)
    none = np.zeros(links + 2)
    return Specimen(
        station, mass, np.full(links + 1, 1e4), bend, none, none, 2, links + 1, 1.1, 0.0, friction
    )


def first_frequency(time: np.ndarray, signal: np.ndarray) -> float:
    """Angular frequency from the zero crossings of a decaying wave."""
    i = np.flatnonzero(signal[:-1] * signal[1:] < 0)
    cross = time[i] - signal[i] * (time[i + 1] - time[i]) / (signal[i + 1] - signal[i])
    return float(np.pi / np.diff(cross).mean())


def test_a_clamped_beam_swings_at_the_printed_frequency():
    length, stiffness, density = 0.2, 4e-4, 0.01
    spec = beam(20, length, stiffness, density, 0.0)
    start = np.stack([spec.station - 0.1, 0 * spec.station, 0 * spec.station], axis=-1)
    x = np.clip(spec.station - 0.1, 0, None) / length
    start[:, 2] = 0.005 * length * (6 * x**2 - 4 * x**3 + x**4) / 3  # close to the first mode
    expected = 3.516015 * np.sqrt(stiffness / (density * length**4))
    time = np.linspace(0.0, 1.6 * 2 * np.pi / expected, 400)
    knots = (np.array([-1.0, 0.0, 1.0, 9.0]), np.repeat(start[None, :2], 4, axis=0))
    run = march(spec, VACUUM, knots, time, start, tolerance=(1e-3, 1e-3), longest=2e-3)
    assert first_frequency(time, run.position[:, -1, 2]) == pytest.approx(expected, rel=5e-3)


def test_a_hanging_chain_swings_at_bernoulli_s_frequency():
    length, links = 1.0, 60
    spec = replace(beam(links, length, 0.0, 0.05, 0.0), first=1)
    # the driven node is the pivot itself: drop the clamp's node
    spec = Specimen(
        spec.station[1:], spec.mass[1:], spec.stretch[1:], spec.bend[1:] * 0, spec.diameter[1:],
        spec.bluff[1:], 1, links, 1.1, 0.0, 0.0,
    )  # fmt: skip
    y = np.linspace(0.0, 1.0, links + 1)
    from scipy.special import j0, jn_zeros

    side = 0.01 * j0(jn_zeros(0, 1)[0] * np.sqrt(1 - y))
    down = np.concatenate([[0.0], np.cumsum(np.sqrt((1 / links) ** 2 - np.diff(side) ** 2))])
    start = np.stack([side, 0 * y, -down], axis=-1)
    expected = 1.202413 * np.sqrt(9.81)
    time = np.linspace(0.0, 6 * np.pi / expected, 500)
    knots = (np.array([-1.0, 0.0, 1.0, 9.0]), np.zeros((4, 1, 3)))
    around = Surroundings(density=0.0)
    run = march(spec, around, knots, time, start, tolerance=(1e-4, 1e-4), longest=4e-3)
    # lumped masses: 1 % low at 10 of them, 0.25 % at 60 (Laguerre zeros)
    assert first_frequency(time, run.position[:, -1, 0]) == pytest.approx(expected, rel=5e-3)


def test_a_line_coasting_across_itself_slows_as_drag_says():
    links, density, d = 10, 0.02, 5e-3
    station = np.linspace(0.0, 0.5, links + 1)
    mass = np.full(links + 1, density * 0.05)
    mass[[0, -1]] *= 0.5
    wide = np.full(links + 1, d)
    spec = Specimen(
        station, mass, np.full(links, 1e4), np.zeros(links + 1), wide, np.zeros(links + 1),
        0, links, 1.1, 0.0, 0.0,
    )  # fmt: skip
    from engine_kernels import step

    x = np.stack([station, 0 * station, 0 * station], axis=-1)
    v = np.zeros_like(x)
    v[:, 2] = 20.0
    air = np.array([1.2, 343.0, 0.0, 0.0, 0.0])
    nothing = np.zeros((3, 0, 3))
    for _ in range(400):
        x, v, _ = step(
            x, v, 1e-3, nothing, nothing, 0, links, np.diff(station), mass, spec.stretch,
            spec.bend, 0.0, air, wide, spec.bluff, np.array([1.1, 0.0]), 0.0,
        )  # fmt: skip
    rise = 1.0 + 0.12 * np.tanh(2 * 20.0 / 343.0)  # the engine's own, at the highest speed
    slowest, fastest = (20.0 / (1.0 + 1.65 * f * 1e-1 * 20.0 * 0.4) for f in (rise, 1.0))
    assert 1.2 * 1.1 * d / (2 * density) == pytest.approx(0.165)
    assert slowest - 1e-3 < v[5, 2] < fastest


@pytest.mark.parametrize("first", [8e-3, 11e-3])
@pytest.mark.parametrize("bend_length", [7e-3, 15e-3, 30e-3])
def test_a_pulled_line_leaves_its_clamp_where_the_elastica_does(first, bend_length):
    """Under a pull T a clamped line ends up straight, and that straight meets the clamp's axis
    sqrt(EI / T) past it (EI times the fourth derivative is T times the second, small angles). Links
    of 25 mm up to the clamp miss it by 2 to 4 mm."""
    pull, tilt = 5.0, 0.05
    usual = 0.02 + np.arange(25) * 25e-3
    station = np.concatenate([[0.0], _closer(usual, first)])
    length = np.diff(station)
    assert length[1] == pytest.approx(first) and length[1:].max() < 26e-3
    span = np.zeros(station.size)
    span[1:-1] = 0.5 * (length[1:] + length[:-1])
    span[1] = CLAMP_SPAN * length[1]
    bend = np.zeros(station.size)
    bend[1:-1] = bend_length**2 * pull / span[1:-1]
    mass = np.full(station.size, 1e-5)
    mass[-1] = pull / 9.81
    none = np.zeros(station.size)
    line = Specimen(
        station, mass, np.full(station.size - 1, 3e5), bend, none, none, 2, station.size - 1
    )
    axis = np.array([np.sin(tilt), 0.0, -np.cos(tilt)])
    rest = settle(line, Surroundings(density=0.0), np.stack([0.0 * axis, station[1] * axis]), 12.0)
    far = rest[-8:]
    slope, offset = np.polyfit(far[:, 2], far[:, 0], 1)
    height = -offset / (slope + np.tan(tilt))  # where the straight crosses the axis
    assert -height / np.cos(tilt) - station[1] == pytest.approx(bend_length, abs=0.8e-3)
