"""Folds that run to the tip, loops that roll along, and pulses.

Sources: energy kept in the moving arm, as in Wong and Yasui, Am. J. Phys. 74 (2006) 490, and
Goriely and McMillen, Phys. Rev. Lett. 88 (2002) 244301; solitary loop of a stiff line under
tension, Coleman and Dill, J. Acoust. Soc. Am. 91 (1992) 2663. The laws of the fold are derived
from them here: m V^2 kept, m the mass beyond the fold; for mass per length (1 - s)^p the speed
goes as l^(-(p + 1) / 2) of the length l beyond, and the whole run lasts 4 / (p + 3) l0 / V0.
"""

from functools import cache

import numpy as np
import pytest

from lashwave.mechanics.grip import Grip, fixed
from lashwave.mechanics.law import Law
from lashwave.mechanics.simulation import simulate
from tests.mechanics.vacuum import VACUUM
from tests.published.record import derived, read, recalled

ENERGY = derived("energy kept in the moving arm (Wong and Yasui 2006; Goriely and McMillen 2002)")
MOMENTUM = derived("momentum taken by the hand, F = mu V^2 / 4, with the energy kept")
GALILEO = derived("Galilean relativity")
LOOP = recalled("Coleman and Dill, J. Acoust. Soc. Am. 91 (1992) 2663, and its integrals")
DEHADRAI = read("Dehadrai and Hanna, arXiv 2206.07864 (2022) (abstract)")
NO_STEADY_FOLD = derived("straight arms carry no moment, so no stiff fold is steady")

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
def _run(build, power, links, gap, middle, until, rtol=1e-6, hand=0.0):  # type: ignore[no-untyped-def]
    """hand: speed of the held end along x [m/s]; speeds of the line are over it."""
    chain = build(1.0, CASES[power], lambda x: 0 * x, links)
    start, speed = folded(chain, gap, middle)
    time = np.linspace(0, until, 4001)
    way = np.array([[-hand, 0, 0], [10 * hand, 0, 0]])
    grip = Grip(np.array([-1.0, 10.0]), way, np.tile([1.0, 0, 0], (2, 1)))
    motion = simulate(
        chain, grip, VACUUM, (0, 0, 0), None, time, start, speed + np.array([hand, 0, 0]), rtol=rtol
    )
    return chain, motion


def _remaining(power, s):  # type: ignore[no-untyped-def]
    x = np.linspace(0, 1, 100001)
    density = CASES[power](x)
    mass = np.concatenate([[0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(x))])
    return mass[-1] - np.interp(s, x, mass)


@pytest.mark.parametrize("power", [0, 1, 2], ids=["uniform", "wedge", "cone"])
def test_arm_of_a_folded_line_gains_speed_as_it_shortens(lines, check, power) -> None:
    _, motion = _run(lines.tapered, power, 250, 0.02, 0.1, 1.02 * _arrival(power, 0.05))
    fold = 0.5 * (1 + motion.position[:, -1, 0])
    end = int(np.argmax(fold > 0.9)) or fold.size
    speed = np.linalg.norm(motion.velocity[:, -1], axis=1)
    law = np.sqrt(_remaining(power, 0.1) / _remaining(power, AT))
    ratio = np.interp(AT, fold[:end], speed[:end]) / (law * speed[0])
    check("arm's speed over the law, over 20 fold widths left", ratio[:2], 1, ENERGY, rel=5e-3)
    check("arm's speed over the law, 15 and 7 left", ratio[2:], 1, ENERGY, rel=2e-2)
    # the fold itself runs at half the arm's speed
    half = np.gradient(fold, motion.time)[50 : end - 50] / speed[50 : end - 50]
    check("fold's speed over the arm's", np.median(half), 0.5, ENERGY, rel=5e-3)
    # to 60 % of the way, closed form of the time: 4 / (p + 3) l0 / V0 (1 - (l / l0)^((p + 3) / 2))
    when = _arrival(power, 0.4)
    found = np.interp(0.6, fold[:end], motion.time[:end]) * speed[0]
    check("time of the fold to 60 % of the line", found, when, ENERGY, rel=1e-2)
    rest = np.abs(motion.accounts.energy_rest[:end]).max() / motion.accounts.kinetic[0]
    assert rest < 1e-4


SHARP = [(0, 0), ("wedge", 1), ("cone", 2)]


@pytest.mark.parametrize("case, power", SHARP, ids=["uniform", "wedge", "cone"])
def test_taper_sets_exponent_time_and_pull(lines, check, case, power) -> None:
    _, motion = _run(lines.tapered, case, 250, 0.02, 0.1, 1.005 * _arrival(power, 0.085))
    left = 0.5 * (1 - motion.position[:, -1, 0])
    speed = np.linalg.norm(motion.velocity[:, -1], axis=1)
    # a decade of the length left, 4 fold widths at its end
    length = np.geomspace(0.09, 0.9, 60)
    grade = np.polyfit(np.log(length), np.log(np.interp(-length, -left, speed)), 1)[0]
    check("exponent of speed over length left", grade, -(power + 1) / 2, ENERGY, abs=0.03)
    run = np.interp(-0.09, -left, motion.time) * speed[0]
    check("time of the fold to nine tenths", run, _arrival(power, 0.09), ENERGY, rel=1e-2)
    energy = motion.accounts.kinetic[0]
    pulls, laws, energies = [], [], []
    for middle in (0.7, 0.6, 0.4):
        a, b = np.searchsorted(-left, [-middle - 0.05, -middle + 0.05])
        lasts = motion.time[b] - motion.time[a]
        pulls.append(-np.diff(motion.accounts.hand_impulse[[a, b], 0])[0] / lasts)
        density = CASES[case](1 - left[a : b + 1])
        laws.append(np.mean(density * speed[a : b + 1] ** 2) / 4)
        energies.append(np.mean((power + 1) * energy / (2 * left[a : b + 1])))
    check("pull on the hand, mu V^2 / 4", pulls, laws, MOMENTUM, rel=1e-2)
    check("pull on the hand, from the energy", pulls, energies, MOMENTUM, rel=1e-2)


def test_audit_of_a_running_fold(lines, check) -> None:
    _, motion = _run(lines.tapered, 0, 100, 0.05, 0.1, 1.2, rtol=1e-8)
    fold = 0.5 * (1 + motion.position[:, -1, 0])
    end = int(np.argmax(fold > 0.9)) or fold.size
    accounts = motion.accounts
    drift = accounts.kinetic[:end] / accounts.kinetic[0]
    check("energy of a running fold", drift, 1, ENERGY, rel=1e-6)
    taken = accounts.hand_impulse[:end, 0] / accounts.momentum[0, 0]
    lost = accounts.momentum[:end, 0] / accounts.momentum[0, 0] - 1
    check("momentum taken by the hand", taken, lost, MOMENTUM, abs=1e-4)
    # a moving hand: the same motion, seen from a frame that the hand's speed carries along
    _, carried = _run(lines.tapered, 0, 100, 0.05, 0.1, 1.2, rtol=1e-8, hand=7.0)
    extra = (carried.velocity - motion.velocity)[:end]
    check("hand at 7 m/s: what it adds", extra, [7.0, 0, 0], GALILEO, abs=1e-4, unit="m/s")


def test_a_fold_is_steady_only_without_stiffness(lines, check) -> None:
    growth = []
    for stiffness in (0.0, 1e-5, 1e-4):
        chain = lines.uniform(1.0, 1.0, stiffness, 200)
        start, speed = folded(chain, 0.03, 0.1)
        motion = simulate(
            chain, fixed(np.zeros(3), [1, 0, 0]), VACUUM, (0, 0, 0), Law(damping_time=0),
            [0, 0.1], start, speed, rtol=1e-6, implicit=False,
        )  # fmt: skip
        bend = np.diff(np.diff(motion.position, axis=1), axis=1) / chain.length[0] ** 2
        sharp = (bend**2).sum((1, 2))  # over a half turn of radius r: pi / r
        growth.append(sharp[0] / sharp[1])
    check("growth of a limp fold's radius", growth[0], 1, NO_STEADY_FOLD, abs=0.01)
    grown = growth[1:]
    check.within("growth of stiff folds' radii", grown, [1.03, 1.15], [1.15, 1.6], NO_STEADY_FOLD)


def _arrival(power, left):  # type: ignore[no-untyped-def]
    """When the fold that starts 0.9 from the tip is `left` from it, for density (1 - x)^power."""
    return 4 / (power + 3) * 0.9 * (1 - (left / 0.9) ** ((power + 3) / 2))


def test_solitary_loop_on_a_stiff_line(lines, check) -> None:
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
    check("solitary loop, slack taken", length - start[-1, 0], 4 / k, LOOP, rel=5e-3)
    accounts = motion.accounts
    check("solitary loop, bending energy", accounts.bending[0], 4 * stiffness * k, LOOP, rel=5e-3)
    kinetic = 4 * mass * c**2 / k
    check("solitary loop, kinetic energy", accounts.kinetic[0], kinetic, LOOP, rel=5e-3)
    check("solitary loop, momentum", accounts.momentum[0, 0], 4 * mass * c / k, LOOP, rel=5e-3)
    t = np.diff(motion.position, axis=1) / chain.length[:, None]
    weight = np.linalg.norm(np.diff(t, axis=1), axis=2) ** 2
    where = (weight @ chain.station[1:-1]) / weight.sum(1)
    run = np.polyfit(time[20:], where[20:], 1)[0]  # over some 10 loop widths
    check("solitary loop, speed", run, c, LOOP, rel=5e-3)
    apex = np.linalg.norm(motion.velocity, axis=2).max(1)
    check("solitary loop, speed of its apex", np.median(apex), 2 * c, LOOP, rel=5e-3)
    # T = mu c^2 + B k^2 far from the loop, at the hand
    pull = -np.median(motion.hand_force[20:, 0])
    taut = mass * c**2 + stiffness * k**2
    check("solitary loop, tension far from it", pull, taut, LOOP, rel=1e-2)


def test_a_snap_converges_at_a_bend_that_the_line_sets(lines, check) -> None:
    found = []
    time = np.concatenate([np.linspace(0, 1.1, 30), np.linspace(1.1, 1.32, 4001)])
    for links in (100, 200, 400):
        chain = lines.uniform(1.0, 1.0, 1e-3, links)
        start, speed = folded(chain, 0.1, 0.1)
        motion = simulate(
            chain, fixed(np.zeros(3), [1, 0, 0]), VACUUM, (0, 0, 0), Law(),
            time, start, speed, rtol=1e-6,
            implicit=True,
        )  # fmt: skip
        tip = [
            np.linalg.norm(v[:, -1], axis=1).max() for v in (motion.velocity, motion.acceleration)
        ]
        found.append([*tip, np.abs(motion.tension[:, links // 2]).max()])
    step = np.abs(np.diff(found, axis=0)) / found[-1]
    name = "snap at a fixed bend: change of peak v, a, T by doubling the links"
    check(name, step[-1], 0, DEHADRAI, abs=0.02)
    # the paper says that it converges; first order would halve each change
    name = "snap at a fixed bend: each change over the one before"
    check.within(name, step[1:] / step[:-1], 0, 0.67, DEHADRAI)
