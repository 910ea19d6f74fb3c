"""A fold that runs to the tip, by the project's own engine, against the law of energy kept.

V ~ m^(-1/2) and c = V / 2: Wong and Yasui, Am. J. Phys. 74 (2006) 490; Goriely and McMillen, Phys.
Rev. Lett. 88 (2002) 244301. In the lab frame of a hand that moves, the same (Galileo).
"""

from functools import cache

import numpy as np
import pytest

from lashwave.answers import amplify, bend, fold
from lashwave.mechanics.chain import build
from lashwave.mechanics.grip import fixed
from lashwave.mechanics.simulation import simulate
from lashwave.quantities.line import Line
from tests.mechanics.vacuum import VACUUM

GAP, LINKS = 0.05, 100
MASS = {"uniform": lambda x: 0.01 + 0 * x, "wedge": lambda x: 0.01 * np.maximum(1 - x, 0.05)}


@cache
def run(taper):
    x = np.linspace(0, 1, 401)
    line = Line(x, np.full(401, 1e-3), MASS[taper](x), 0 * x)
    chain = build(line, np.linspace(0, 1, LINKS + 1), line.bending_stiffness)
    fine = np.linspace(0, 1, 20001)
    turn = np.clip((fine - 0.15 + np.pi * GAP / 4) / (0.5 * GAP), 0, np.pi)
    slope = np.stack([np.cos(turn), 0 * turn, np.sin(turn)], axis=1)
    place = np.concatenate([[np.zeros(3)], np.cumsum(0.5 * (slope[1:] + slope[:-1]), 0) / 20000])
    moving = 5.0 * (np.array([1.0, 0, 0]) - slope)  # a loop that rolls at half the arm's 10 m/s
    start, speed = (
        np.stack([np.interp(chain.station, fine, c) for c in field.T], axis=1)
        for field in (place, moving)
    )
    until = 0.095 if taper == "uniform" else 0.08
    time = np.linspace(0, until, 401)
    grip = fixed(np.zeros(3), [1, 0, 0])
    return chain, simulate(chain, grip, VACUUM, (0, 0, 0), None, time, start, speed)


def followed(imposed, taper, wind=0.0, thin=1):
    chain, motion = run(taper)
    drift = np.array([wind, 0.0, 0.0])
    position = motion.position + motion.time[:, None, None] * drift
    draws = imposed.draws(
        motion.time[::thin], chain.station[::thin], position[::thin, ::thin],
        (motion.velocity + drift)[::thin, ::thin],
    )  # fmt: skip
    bends = bend.bends_of(draws, 0.0)
    return chain, draws, bends, fold.runs(draws, np.array([0]), bends, 0.0, motion.time[-1:])[0]


@pytest.mark.parametrize("thin", [1, 2, 4])
@pytest.mark.parametrize("taper", ["uniform", "wedge"])
def test_the_exponent_and_the_speed_are_those_of_the_law(imposed, taper, thin):
    # ... and stay so on a grid of a half and a quarter of the times and stations
    chain, _, _, run_ = followed(imposed, taper, thin=thin)
    assert np.ptp(run_.station) > 0.5
    assert amplify.exponent(run_, chain) == pytest.approx(-0.5, abs=0.03)
    assert amplify.speed_ratio(run_) == pytest.approx(1.0, abs=0.05)


def test_the_bend_is_that_of_the_fold(imposed):
    _, draws, bends, run_ = followed(imposed, "uniform")
    true = 0.5 * (1 + draws.position[0, :, -1, 0])  # the arm's end is as far behind as it is long
    during = (draws.time >= run_.time[0]) & (draws.time <= run_.time[-1])
    assert np.abs(bends.station[0] - true)[during].max() < 2.5 / LINKS


def test_a_moving_hand_changes_no_law(imposed):
    chain, _, _, still = followed(imposed, "wedge")
    _, _, _, carried = followed(imposed, "wedge", wind=7.0)
    assert amplify.exponent(carried, chain) == pytest.approx(amplify.exponent(still, chain))


def test_the_parts_of_the_tips_speed_add_up(imposed):
    chain, draws, _, run_ = followed(imposed, "wedge", wind=7.0)
    speed = np.linalg.norm(draws.velocity[0, :, -1], axis=-1)
    k = int(speed.argmax())
    shares = amplify.parts(draws, np.array([0]), [run_], chain, draws.time[[k]])[0]
    assert shares.sum() == pytest.approx(speed[k], rel=1e-9)
    named = dict(zip(amplify.PARTS, shares, strict=True))
    assert named["hand"] == pytest.approx(7.0, rel=0.05)  # but for the angle of the tip's way
    assert named["start"] == pytest.approx(10.0, rel=0.08)
    assert named["taper"] > 0.0
    # no air, no gravity, no bending: the law leaves little open
    assert abs(named["other"]) < 0.1 * (named["start"] + named["shortening"] + named["taper"])


def test_a_uniform_line_owes_nothing_to_taper(imposed):
    chain, draws, _, run_ = followed(imposed, "uniform")
    shares = amplify.parts(draws, np.array([0]), [run_], chain, draws.time[[-1]])[0]
    assert shares[amplify.PARTS.index("taper")] == pytest.approx(0.0, abs=1e-6)


def test_a_stiff_rod_has_no_fold(imposed):
    time = np.linspace(0.0, 0.02, 61)
    station = np.linspace(0, 1, 51)
    position, velocity = imposed.rod(time, station, 20 * time, np.full(61, 20.0))
    draws = imposed.draws(time, station, position, velocity)
    bends = bend.bends_of(draws, 0.1)
    assert fold.runs(draws, np.array([0]), bends, 0.1, time[-1:]) == [None]
    assert np.isnan(amplify.exponent(None, None)) and np.isnan(amplify.speed_ratio(None))


def test_mass_beyond_is_all_of_it_at_the_butt_and_none_at_the_tip():
    chain, _ = run("wedge")
    assert amplify.mass_beyond(chain, np.array([0.0, 1.0])) == pytest.approx(
        [chain.node_mass.sum(), 0.0], abs=1e-15
    )
