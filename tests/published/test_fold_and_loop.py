"""Folds that run to the tip, loops that roll along, and pulses.

Sources: energy kept in the moving arm, as in Wong and Yasui, Am. J. Phys. 74 (2006) 490, and
Goriely and McMillen, Phys. Rev. Lett. 88 (2002) 244301; solitary loop of a stiff line under
tension, Coleman and Dill, J. Acoust. Soc. Am. 91 (1992) 2663; pulse on a hanging chain,
c = sqrt(g s).
"""

from functools import cache

import numpy as np
import pytest

from lashwave.mechanics.air import VACUUM
from lashwave.mechanics.grip import Grip, fixed
from lashwave.mechanics.law import Law
from lashwave.mechanics.simulate import simulate

AT = np.array([0.3, 0.5, 0.7, 0.85])
CASES = {
    0: lambda x: 1 + 0 * x,
    1: lambda x: np.maximum(1 - x, 0.1),
    2: lambda x: np.maximum((1 - x) ** 2, 0.01),
    "wedge": lambda x: np.maximum(1 - x, 1e-3),
    "cone": lambda x: np.maximum((1 - x) ** 2, 1e-5),
}


def folded(chain, gap, middle):  # type: ignore[no-untyped-def]
    """Nodes and velocities: an arm at rest along x, a half turn, an arm that moves at 1 m/s."""
    fine = np.linspace(0, 1, 20001)
    turn = np.clip((fine - middle + np.pi * gap / 4) / (0.5 * gap), 0, np.pi)
    slope = np.stack([np.cos(turn), 0 * turn, np.sin(turn)], axis=1)
    place = np.vstack([np.zeros(3), np.cumsum(0.5 * (slope[1:] + slope[:-1]), axis=0) / 20000])
    # rolling at half the arm's speed: v = c (1 - t), c = 1/2
    speed = 0.5 * (np.array([1.0, 0, 0]) - slope)
    s = chain.station
    return tuple(
        np.stack([np.interp(s, fine, c) for c in field.T], axis=1) for field in (place, speed)
    )


@cache
def _run(build, power, links, gap, middle, until):  # type: ignore[no-untyped-def]
    chain = build(1.0, CASES[power], lambda x: 0 * x, links)
    start, speed = folded(chain, gap, middle)
    time = np.linspace(0, until, 4001)
    motion = simulate(
        chain, fixed(np.zeros(3), [1, 0, 0]), VACUUM, (0, 0, 0), None, time, start, speed,
        rtol=1e-6,
    )  # fmt: skip
    return chain, motion


def _remaining(power, s):  # type: ignore[no-untyped-def]
    x = np.linspace(0, 1, 100001)
    density = CASES[power](x)
    mass = np.concatenate([[0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(x))])
    return mass[-1] - np.interp(s, x, mass)


@pytest.mark.parametrize("power", [0, 1, 2], ids=["uniform", "wedge", "cone"])
def test_arm_of_a_folded_line_gains_speed_as_it_shortens(lines, power) -> None:
    _, motion = _run(lines.tapered, power, 250, 0.02, 0.1, 1.02 * _arrival(power, 0.05))
    fold = 0.5 * (1 + motion.position[:, -1, 0])
    end = int(np.argmax(fold > 0.9)) or fold.size
    speed = np.linalg.norm(motion.velocity[:, -1], axis=1)
    law = np.sqrt(_remaining(power, 0.1) / _remaining(power, AT))
    ratio = np.interp(AT, fold[:end], speed[:end]) / (law * speed[0])
    assert ratio[:2] == pytest.approx(1, abs=5e-3)  # more than 20 fold widths left
    assert ratio[2:] == pytest.approx(1, abs=2e-2)  # 15 and 7
    # the fold itself runs at half the arm's speed
    half = np.gradient(fold, motion.time)[50 : end - 50] / speed[50 : end - 50]
    assert np.median(half) == pytest.approx(0.5, rel=5e-3)
    # to 60 % of the way, closed form of the time: 4 / (p + 3) l0 / V0 (1 - (l / l0)^((p + 3) / 2))
    when = _arrival(power, 0.4)
    assert np.interp(0.6, fold[:end], motion.time[:end]) * speed[0] == pytest.approx(when, rel=1e-2)
    rest = np.abs(motion.accounts.energy_rest[:end]).max() / motion.accounts.kinetic[0]
    assert rest < 1e-4
    missed = np.abs(motion.accounts.momentum_rest[:end]).max()
    assert missed < 1e-4 * motion.accounts.momentum[0].max() + 1e-6


def test_force_on_the_hand_of_a_running_fold(lines) -> None:
    _, motion = _run(lines.tapered, 0, 100, 0.05, 0.1, 1.2)
    fold = 0.5 * (1 + motion.position[:, -1, 0])
    a, b = np.searchsorted(fold[:3000], [0.35, 0.45])  # ten links pass
    pull = -np.diff(motion.accounts.hand_impulse[[a, b], 0])[0] / (motion.time[b] - motion.time[a])
    speed = np.linalg.norm(motion.velocity[a : b + 1, -1], axis=1)
    assert pull == pytest.approx(np.mean(speed**2) / 4, rel=0.01)


def _arrival(power, left):  # type: ignore[no-untyped-def]
    """When the fold that starts 0.9 from the tip is `left` from it, for density (1 - x)^power."""
    return 4 / (power + 3) * 0.9 * (1 - (left / 0.9) ** ((power + 3) / 2))


@pytest.mark.slow
@pytest.mark.parametrize("power, slope", [(0, -0.5), ("wedge", -1.0), ("cone", -1.5)])
def test_taper_sets_the_power_of_the_speed(lines, power, slope) -> None:
    _, motion = _run(lines.tapered, power, 600, 0.01, 0.1, 1.02 * _arrival(-2 * slope - 1, 0.1))
    fold = 0.5 * (1 + motion.position[:, -1, 0])
    end = int(np.argmax(fold > 0.91)) or fold.size
    left, speed = 1 - fold[:end], np.linalg.norm(motion.velocity[:end, -1], axis=1)
    grid = np.geomspace(0.88, 0.12, 60)
    found = np.polyfit(np.log(grid), np.log(np.interp(-grid, -left, speed)), 1)[0]
    assert found == pytest.approx(slope, abs=0.03)


def test_solitary_loop_on_a_stiff_line(lines) -> None:
    length, links, k, c, mass, stiffness = 0.8, 320, 40.0, 3.0, 0.01, 1e-5
    chain = lines.uniform(length, mass * length, stiffness, links)
    fine = np.linspace(0, length, 40001)
    turn = 4 * np.arctan(np.exp(k * (fine - 0.2)))
    slope = np.stack([np.cos(turn), 0 * turn, np.sin(turn)], axis=1)
    step = fine[1]
    place = np.vstack([np.zeros(3), np.cumsum(0.5 * (slope[1:] + slope[:-1]), axis=0) * step])
    speed = c * (np.array([1.0, 0, 0]) - slope)
    start, moving = (
        np.stack([np.interp(chain.station, fine, v) for v in f.T], axis=1) for f in (place, speed)
    )
    time = np.linspace(0, 0.1, 201)
    motion = simulate(
        chain, fixed(np.zeros(3), [1, 0, 0]), VACUUM, (0, 0, 0), Law(damping_time=0), time, start,
        moving, far=fixed(start[-1], [1, 0, 0]), rtol=1e-5, implicit=False,
    )  # fmt: skip
    assert length - start[-1, 0] == pytest.approx(4 / k, rel=5e-3)
    accounts = motion.accounts
    assert accounts.bending[0] == pytest.approx(4 * stiffness * k, rel=5e-3)
    assert accounts.kinetic[0] == pytest.approx(4 * mass * c**2 / k, rel=5e-3)
    assert accounts.momentum[0, 0] == pytest.approx(4 * mass * c / k, rel=5e-3)
    t = np.diff(motion.position, axis=1) / chain.length[:, None]
    weight = np.linalg.norm(np.diff(t, axis=1), axis=2) ** 2
    where = (weight @ chain.station[1:-1]) / weight.sum(1)
    run = np.polyfit(time[20:], where[20:], 1)[0]  # over some 10 loop widths
    assert run == pytest.approx(c, rel=5e-3)
    apex = np.linalg.norm(motion.velocity, axis=2).max(1)
    assert np.median(apex) == pytest.approx(2 * c, rel=5e-3)
    # T = mu c^2 + B k^2 far from the loop, at the hand
    pull = -np.median(motion.hand_force[20:, 0])
    assert pull == pytest.approx(mass * c**2 + stiffness * k**2, rel=1e-2)


def test_pulse_runs_up_a_hanging_chain_at_its_local_speed(lines) -> None:
    chain = lines.uniform(1.0, 0.1, 0.0, 200)
    g = 9.80665
    time = np.linspace(-0.1, 0.5, 2401)
    hand = np.stack([5e-3 * np.exp(-((time / 0.025) ** 2)), 0 * time, 0 * time], axis=1)
    grip = Grip(time, hand, np.tile([0.0, 0, -1], (time.size, 1)))
    motion = simulate(chain, grip, VACUUM, (0, 0, -g), None, time, lines.straight(chain), rtol=1e-6)
    above = 1 - chain.station  # height over the free end
    peaks = []
    for height in (0.81, 0.16):
        x = motion.position[:, int(np.argmin(np.abs(above - height))), 0]
        i = int(np.argmax(x))
        a, b, c = x[i - 1 : i + 2]
        peaks.append(time[i] + 0.5 * (a - c) / (a - 2 * b + c) * (time[1] - time[0]))
    # whole way 2 sqrt(L / g); between the two heights 2 (0.9 - 0.4) sqrt(L / g)
    assert peaks[1] - peaks[0] == pytest.approx(np.sqrt(1 / g), rel=5e-3)
