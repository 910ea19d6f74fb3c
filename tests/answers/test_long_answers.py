"""Answers of a record that is taken in pieces against those of the same draws taken at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.answers import Gathering, answer
from lashwave.answers.long_facts import joined

STATION = np.linspace(0.0, 2.0, 21)
TIME = np.linspace(0.0, 3.0, 1501)
CUTS = (0, 500, 1000, 1500)
DRAWS = 12
OF_A_CRACK = {"full_extension_time", "earlier_extension_time"}
"""They look for the end of the record, in pieces for that of the piece."""


@pytest.fixture
def draws(imposed):
    """Rods of one turn a second; every third draw is fastest in the second, others in the third.

    The first passes the speed of sound in the first second, all others do later.
    """
    rng = np.random.default_rng(5)
    wave = np.sin(np.pi * TIME) ** 2
    second = np.minimum(TIME.astype(int), 2)
    motions = []
    for d in range(DRAWS):
        most = np.array([150.0, 185.0, 195.0]) * (1.0 + 0.01 * rng.standard_normal(3))
        most = most[[0, 2, 1]] if d % 3 == 0 else most
        most[0] = 180.0 if d == 0 else most[0]
        rate = most[second] * wave
        step = 0.5 * (rate[1:] + rate[:-1]) * np.diff(TIME)
        motions.append(imposed.rod(TIME, STATION, np.concatenate([[0.0], np.cumsum(step)]), rate))
    place, speed = (np.stack(part) for part in zip(*motions, strict=True))
    power = 30.0 * np.cos(5.0 * TIME) * (1.0 + 0.1 * rng.standard_normal((DRAWS, 1)))
    force = rng.normal(2.0, 0.3, (DRAWS, 1, 3)) * np.ones((1, TIME.size, 1))
    return imposed.draws(
        TIME, STATION, place, speed, hand_power=power, hand_force=force,
        kinetic_energy=0.5 * (speed[:, :, -1] ** 2).sum(-1) * 4e-3,
        tension=np.full(place.shape[:3], 3.0) * rng.normal(1.0, 0.05, (DRAWS, 1, 1)),
        shared={"damping_time": np.exp(rng.normal(0.0, 0.5, DRAWS))},
    )  # fmt: skip


def piece(draws, first, last):
    own = slice(first, last + 1)
    names = (
        "position", "velocity", "tension", "hand_force", "hand_power", "kinetic_energy"
    )  # fmt: skip
    cut = {name: getattr(draws, name)[:, own] for name in names}
    return replace(draws, time=draws.time[own], **cut)


def gathered(imposed, draws):
    """Answers, lists of the whole record, and lists of the moments, from the last piece on."""
    gathering = Gathering(imposed.trial())
    tables = {}
    for first, last in reversed(list(zip(CUTS[:-1], CUTS[1:], strict=True))):
        tables[first] = gathering.take(piece(draws, first, last))
    answers, late, said = gathering.close(imposed.fit(draws))
    return answers, late, tables, said, gathering


def test_every_answer_is_that_of_the_whole(imposed, draws):
    expected, lists, warned = answer(imposed.trial(), imposed.fit(draws))
    found, late, tables, said, gathering = gathered(imposed, draws)
    assert found.keys() == expected.keys()
    assert said == warned
    for name, one in expected.items():
        other = found[name]
        if name in OF_A_CRACK or "full_extension" in name:
            continue
        assert other.unit == one.unit and (other.value is None) == (one.value is None), name
        for part in ("value", "sd", "low95", "high95"):
            a, b = getattr(one, part), getattr(other, part)
            if a is not None:
                # a slope at a piece's end is told by one side of it alone
                assert b == pytest.approx(a, rel=2e-3, abs=1e-6), (name, part)
    for name in ("hand_work", "drag_loss", "unexplained_work", "potential_energy"):
        off = np.abs(late[name].values - lists[name].values)
        assert off.max() < 2e-3 * np.abs(lists[name].values).max() + 1e-9, name
    for first, table in tables.items():
        for name in ("speed", "tip_speed", "kinetic_energy", "bend_turn", "momentum"):
            whole = lists[name].values[first : first + table.sizes["time"]]
            np.testing.assert_allclose(table[name].values, whole, rtol=1e-6, atol=1e-9)
        assert "hand_work" not in table and "drag_loss" not in table
    power, kinetic = gathering.series()
    np.testing.assert_allclose(power, draws.hand_power, rtol=1e-6)
    np.testing.assert_allclose(kinetic, draws.kinetic_energy, rtol=1e-6, atol=1e-9)


def test_the_bends_speed_is_known_over_the_cuts(imposed):
    """A fold that runs evenly: its speed in pieces is that of the whole."""
    time, station = np.linspace(0.0, 0.3, 151), np.linspace(0.0, 2.0, 81)
    fold = 0.6 + (2.0 + 0.1 * np.arange(4)[:, None]) * time
    beyond = np.maximum(station - fold[..., None], 0.0)
    place = np.stack([station - 2.0 * beyond, 0.05 * (beyond > 0), 0.0 * beyond], axis=-1)
    speed = np.gradient(place, time, axis=1)
    draws = imposed.draws(time, station, place, speed, shared={"damping_time": np.ones(4)})
    whole = Gathering(imposed.trial()).take(draws)["bend_speed"].values
    gathering, found = Gathering(imposed.trial()), np.full(time.size, np.nan)
    for first, last in ((100, 150), (50, 100), (0, 50)):
        reach = max(first - 16, 0)
        around = piece(draws, reach, min(last + 16, 150))
        table = gathering.take(piece(draws, first, last), around, first - reach)
        found[first : last + 1] = table["bend_speed"].values
        np.testing.assert_allclose(
            table["bend_station"].values, np.median(fold, 0)[first : last + 1], atol=0.03
        )
    np.testing.assert_allclose(found, whole, atol=1e-9)
    assert np.isfinite(found[4:-4]).all() and np.isnan(found[:4]).all()
    assert np.median(found[4:-4]) == pytest.approx(2.15, abs=0.05)


def test_a_draws_peak_is_of_the_piece_in_which_it_is_fastest(imposed, draws):
    found = gathered(imposed, draws)[0]
    when = found["peak_tip_speed_time"]
    assert when.value == pytest.approx(2.5, abs=2e-3)
    assert when.low95 == pytest.approx(1.5, abs=2e-3)  # every third draw
    first = found["sonic_time"]
    assert first.value is not None and 1.0 < first.value < 1.5  # all but one pass it there


def test_sums_are_of_draws_not_of_intervals(imposed, draws):
    """A draw that works more in one piece works more in all: three times the deviation."""
    found = gathered(imposed, draws)[0]
    impulse = np.linalg.norm(np.trapezoid(draws.hand_force, TIME, axis=1), axis=-1)
    assert found["hand_impulse"].sd == pytest.approx(impulse.std(ddof=1), rel=0.6)
    assert found["hand_impulse"].value == pytest.approx(np.median(impulse), rel=0.03)


def test_pieces_share_a_time_that_counts_once():
    one, two = np.array([[1.0, 2.0, 3.0]]), np.array([[3.0, 4.0]])
    np.testing.assert_array_equal(joined([one, two]), [[1.0, 2.0, 3.0, 4.0]])
