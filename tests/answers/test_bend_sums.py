"""Bends, runs of folds and what they give, on random lines with uneven stations, by loops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.answers import account, amplify, bend, fold, pull as pull_of
from lashwave.answers.fold import Run
from lashwave.mechanics.air import medium
from lashwave.mechanics.law import Law
from lashwave.mechanics.power_budget import budget
from lashwave.quantities.line import Line
from tests.answers.lines import lash
from tests.answers.test_small_fits import STATION, TIME, swings


def place_at(station, position, s):
    return np.array([np.interp(s, station, x) for x in position.T])


def turn_of(station, position, s, arm):
    back, here, ahead = (place_at(station, position, s + a) for a in (-arm, 0.0, arm))
    one, two = here - back, ahead - here
    return np.arccos(np.clip(one @ two / np.linalg.norm(one) / np.linalg.norm(two), -1, 1))


@pytest.mark.parametrize("seed", range(3))
def test_turns_are_angles_of_chords(seed):
    rng = np.random.default_rng(seed)
    station = np.concatenate([[0.0], np.cumsum(rng.uniform(0.02, 0.2, 14))])
    position = np.cumsum(rng.normal(size=(4, 15, 3)), axis=1) * 0.1
    at = rng.uniform(0.2, station[-1] - 0.2, 9)
    at[0], at[1] = 0.05, station[-1] - 0.03
    arm = np.minimum(rng.uniform(0.05, 0.2, 9), np.minimum(at, station[-1] - at))
    expected = [[turn_of(station, x, s, a) for s, a in zip(at, arm, strict=True)] for x in position]
    np.testing.assert_allclose(bend.turns(station, position, at, arm), expected, atol=1e-7)
    alone = bend.turn_at(station, position, at[:4], arm[:4])
    np.testing.assert_allclose(alone, np.diag(np.array(expected)[:, :4]), atol=1e-7)
    some = at[:4].copy()
    some[2] = np.nan
    assert np.isnan(bend.turn_at(station, position, some, arm[:4])[2])
    # the greatest of all, by arms of 0.08 of the line that shrink toward its tip
    grip, length = station[2], station[-1]
    fine = np.linspace(grip + 0.08 * length, 0.98 * length, 801)
    where, size = bend.sharpest(station, position, grip)
    for k, x in enumerate(position):
        reach = np.minimum(0.08 * length, np.minimum(length - fine, fine - grip))
        looked = np.array([turn_of(station, x, s, a) for s, a in zip(fine, reach, strict=True)])
        assert size[k] == pytest.approx(looked.max(), abs=0.06)
        there = min(0.08 * length, length - where[k])
        assert turn_of(station, x, where[k], there) == pytest.approx(looked.max(), abs=0.1)


def test_a_bend_that_leaps_a_fifth_of_the_line_is_another(imposed):
    """Two kinks of 1 rad at 0.8 and 1.3 m of 2 m, the second one later."""
    station, time = np.linspace(0.0, 2.0, 401), np.arange(30) * 1e-3
    position = np.zeros((30, 401, 3))
    for k in range(30):
        at = 0.8 + 0.006 * k if k < 15 else 1.3 + 0.006 * k
        position[k, :, 0] = np.minimum(station, at) + np.cos(1.0) * np.maximum(station - at, 0)
        position[k, :, 2] = np.sin(1.0) * np.maximum(station - at, 0)
    found = bend.bends_of(imposed.draws(time, station, position, 0 * position), 0.2)
    assert np.isnan(found.speed[0, 11:19]).all()
    assert found.speed[0, [6, 24]] == pytest.approx(6.0, rel=0.1)


def run_of(station, able=None, until=0.1, step=5e-3):
    time = np.arange(station.size) * step
    able = np.ones(station.size, dtype=bool) if able is None else able
    return fold._run(time, station, able, np.arange(station.size) + 1.0, until, 1.0)


def test_a_run_goes_back_while_the_bend_is_a_fold():
    """The last stretch before the tip's peak, if it is long and ends within 40 ms of it."""
    out = np.linspace(0.3, 0.7, 21)
    whole = run_of(out)
    np.testing.assert_allclose(whole.station, out)
    np.testing.assert_allclose(whole.relative, np.arange(21) + 1.0)
    able = np.ones(21, dtype=bool)
    able[4] = False
    np.testing.assert_allclose(run_of(out, able).station, out[5:])
    np.testing.assert_allclose(run_of(out, until=0.081).station, out[:17])
    leaps = out.copy()
    leaps[:6] -= 0.11  # more than a tenth of the line between two times
    np.testing.assert_allclose(run_of(leaps).station, out[6:])
    assert run_of(0.3 + 0.19 * np.linspace(0, 1, 21)) is None  # under a fifth of the line
    assert run_of(0.3 + 0.21 * np.linspace(0, 1, 21)) is not None
    early = np.arange(21) <= 13  # ends at 65 ms: 35 before the peak, not 45
    assert run_of(out, early, 0.1) is not None and run_of(out, early, 0.11) is None
    assert run_of(out, np.zeros(21, dtype=bool)) is None


def a_run(chain, low=0.3, high=0.8, power=-0.5):
    station, time = np.linspace(low, high, 15), np.linspace(0.0, 0.03, 15)
    mass = amplify.mass_beyond(chain, station)
    return Run(time, station, 20.0 * (mass / mass[0]) ** power)


def test_parts_of_the_tips_speed_are_the_laws(imposed):
    chain = lash()
    run = a_run(chain, power=-0.6)
    velocity = np.zeros((2, 4, 11, 3))
    velocity[1, 2, -1], velocity[1, 2, 1] = [30.0, 0.0, 40.0], [5.0, 9.0, 10.0]
    draws = imposed.draws(np.arange(4) * 0.01, chain.station, 0 * velocity, velocity)
    found = amplify.parts(draws, np.array([0, 1]), [None, run], chain, np.array([0.0, 0.021]))
    assert np.isnan(found[0]).all()
    mass = [amplify.mass_beyond(chain, np.array([s]))[0] for s in (0.3, 0.8)]
    hand = 5.0 * 0.6 + 10.0 * 0.8  # along (0.6, 0, 0.8)
    short, law = np.sqrt(0.7 / 0.2), np.sqrt(mass[0] / mass[1])
    end = run.relative[-1]
    expected = [hand, 20.0, 20.0 * (short - 1), 20.0 * (law - short), end - 20.0 * law,
                50.0 - hand - end]  # fmt: skip
    np.testing.assert_allclose(found[1], expected)
    assert amplify.exponent(run, chain) == pytest.approx(-0.6)
    assert amplify.speed_ratio(run) == pytest.approx(2 * 0.5 / np.trapezoid(run.relative, run.time))
    assert np.isnan(amplify.exponent(None, chain)) and np.isnan(amplify.speed_ratio(None))


def test_an_exponent_asks_for_half_as_much_mass_again():
    chain = lash()

    def beyond(high):
        return (
            amplify.mass_beyond(chain, np.array([0.3]))[0]
            / amplify.mass_beyond(chain, np.array([high]))[0]
        )

    high = np.linspace(0.31, 0.8, 200)
    growth = np.array([beyond(h) for h in high])
    enough = float(np.interp(1.52, growth, high))
    assert np.isfinite(amplify.exponent(a_run(chain, high=enough), chain))
    little = float(np.interp(1.48, growth, high))
    assert np.isnan(amplify.exponent(a_run(chain, high=little), chain))
    runs = [a_run(chain), a_run(chain), None]
    told = amplify.answers(runs, chain, np.full((3, 6), 2.0))
    assert told["fold_mass_exponent"].value == pytest.approx(-0.5)
    assert told["tip_speed_from_taper"].value == 2.0
    none = amplify.answers([None, None, a_run(chain)], chain, np.full((3, 6), np.nan))
    assert all(a.value is None and "no fold" in a.reason for a in none.values())


def test_a_slow_lines_damping_is_that_of_its_mean_motion(imposed):
    trial = imposed.trial()
    trial = replace(trial, line=replace(trial.line, bending_stiffness=np.array([1e-2, 1e-3])))
    draws = swings(imposed, 8, shared={"stiffness_scale": np.linspace(0.8, 1.2, 8)})
    x, v = (p.mean(axis=0, dtype=float) for p in (draws.position, draws.velocity))
    v[:, 3:] *= 1.05  # a bend that opens and closes
    draws = replace(draws, velocity=np.broadcast_to(v, draws.velocity.shape).copy())
    found = account.accounts_of(trial, draws)
    a = np.gradient(v, TIME, axis=0, edge_order=2)
    b = budget(account.chain_of(trial, STATION), x, v, a, medium(trial.air), trial.gravity, Law())
    whole = np.trapezoid(b.damping, TIME)
    assert whole > 0.0
    np.testing.assert_allclose(found.damping[:, -1], whole * np.linspace(0.8, 1.2, 8))


def test_the_pull_at_the_grip_knows_the_clamps_stiffness(imposed):
    """A line that leaves its grip at an angle: twice the stiffness by table or by scale."""
    station = np.array([0.0, 0.2, 0.205, 0.22, 0.26, 0.31, 1.0, 2.0])
    place = np.zeros((4, 21, 8, 3))
    place[..., 0] = np.minimum(station, 0.2) + 0.6 * np.maximum(station - 0.2, 0.0)
    place[..., 2] = 0.8 * np.maximum(station - 0.2, 0.0)

    def pull(stiffness, scale):
        line = Line(np.array([0.0, 2.0]), np.full(2, 4e-3), np.full(2, 0.01),
                    np.full(2, stiffness), handle_length=0.2)  # fmt: skip
        draws = imposed.draws(TIME, station, place, 0 * place, tension=np.full((4, 21, 8), 6.0),
                              shared={"stiffness_scale": np.full(4, scale)})  # fmt: skip
        flat = np.zeros(4)
        peaks = [pull_of.peak_pull(TIME, one, flat + 0.1) for one in pull_of.pulls(draws, line)]
        return tuple(float(np.median(peak)) for peak in peaks)

    first, past = pull(1e-3, 2.0)
    assert (first, past) == pytest.approx(pull(2e-3, 1.0))
    assert first < 0.97 * past and first != pytest.approx(pull(1e-3, 1.0)[0], rel=1e-3)
