"""The account of energy on random parts, added up by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from scipy.interpolate import interp1d

from lashwave.answers import account, amplify, energy, momentum
from lashwave.answers.lists import put_account
from lashwave.mechanics.power_budget import Budget
from lashwave.quantities.line import Line
from tests.answers.lines import lash


def some_budget(rng, times: int, nodes: int) -> Budget:
    shapes = {
        "momentum": (times, 3), "angular": (times, 3), "drag": (times, nodes),
        "torque": (times, 3), "momentum_flux": (times, nodes, 3), "energy_flux": (times, nodes),
    }  # fmt: skip
    names = Budget.__dataclass_fields__
    return Budget(**{n: rng.normal(size=shapes.get(n, (times,))) for n in names})


def test_the_account_adds_up_from_its_parts():
    """Work = change of kinetic, gravity and bending + drag + tuft + damping + unexplained."""
    rng = np.random.default_rng(8)
    chain, time = lash(), np.cumsum(rng.uniform(1e-3, 2e-2, 9))
    b, work = some_budget(rng, 9, 11), rng.normal(size=9)
    row = account._row(time, chain, b, np.array([1, 4, 10]), work)

    def done(power):
        out = [0.0]
        for k in range(8):
            out.append(out[-1] + 0.5 * (time[k + 1] - time[k]) * (power[k] + power[k + 1]))
        return np.array(out)

    drag = np.array([done(p) for p in b.drag.T])
    losses = {"drag": drag.sum(axis=0), "tuft": done(b.tuft), "damping": done(b.damping)}
    for name, value in losses.items():
        np.testing.assert_allclose(row[name], value, atol=1e-12)
    np.testing.assert_allclose(row["potential"], b.gravity - b.gravity[0])
    change = sum(part - part[0] for part in (b.kinetic, b.gravity, b.bending))
    left = work - change - losses["drag"] - losses["tuft"] - losses["damping"]
    np.testing.assert_allclose(row["unexplained"], left, atol=1e-12)
    for name in ("kinetic", "bending", "momentum", "angular"):
        np.testing.assert_array_equal(row[name], getattr(b, name))
    length = np.diff(chain.station)
    share = 0.5 * (np.append(length, 0.0) + np.append(0.0, length))
    inner = row["drag_by_station"][1:-1]
    np.testing.assert_allclose(inner[3:], (drag[:, -1] / share)[4:-1], rtol=1e-9)
    assert np.trapezoid(row["drag_by_station"], chain.station) == pytest.approx(drag[:, -1].sum())
    np.testing.assert_allclose(row["energy_flux"], b.energy_flux[:, [1, 4, 10]], rtol=1e-6)
    np.testing.assert_allclose(row["momentum_flux"], b.momentum_flux[:, [1, 4, 10]], rtol=1e-6)
    mean = momentum.mean_over(time, b.torque.T, 10e-3).T  # judged above
    np.testing.assert_allclose(row["torque"], mean)


def booked(rng, n: int = 7, times: int = 5, nodes: int = 6):
    shapes = {
        "momentum": (times, 3), "angular": (times, 3), "torque": (times, 3),
        "momentum_flux": (times, 4, 3), "energy_flux": (times, 4), "drag_by_station": (nodes,),
    }  # fmt: skip
    names = [f for f in account.AccountDraws.__dataclass_fields__ if f != "flux_station"]
    given = {name: rng.normal(size=(n, *shapes.get(name, (times,)))) for name in names}
    return account.AccountDraws(flux_station=np.linspace(0.0, 1.0, 4), **given)


def test_answers_of_the_account_are_those_of_its_last_sample():
    rng = np.random.default_rng(9)
    a = booked(rng)
    found = account.answers(a)
    stored = a.kinetic + a.potential + a.bending
    size = np.sqrt((a.torque**2).sum(axis=-1))
    expected = {
        "drag_loss": a.drag[:, -1], "tuft_loss": a.tuft[:, -1], "damping_loss": a.damping[:, -1],
        "stored_energy": stored[:, -1] - stored[:, 0], "unexplained_work": a.unexplained[:, -1],
        "peak_bending_energy": a.bending.max(axis=1), "peak_hand_torque": size.max(axis=1),
    }  # fmt: skip
    for name, values in expected.items():
        assert found[name].value == pytest.approx(np.median(values)), name
        assert found[name].unit == ("N m" if name == "peak_hand_torque" else "J")
    lost = account.answers(replace(a, unexplained=np.full_like(a.unexplained, np.nan)))
    assert lost["unexplained_work"].value is None and "held too" in lost["unexplained_work"].reason


def test_an_account_open_by_more_than_its_doubt_is_warned_of():
    # The hand has given 10 J at 0.2 s; the line holds and has lost 13 J.
    rng = np.random.default_rng(3)
    a = booked(rng)
    time = np.arange(5) * 0.1
    work = np.broadcast_to(np.array([0.0, 5.0, 10.0, 10.0, 10.0]), (7, 5))
    over = np.array([0.0, 0.0, 3.0, 0.1, 0.0])
    open_ = replace(a, hand_work=work, unexplained=np.broadcast_to(-over, (7, 5)))
    (said,) = account.cautions(time, open_)
    assert "200.0 ms" in said and "given 10 J" in said
    assert account.excess(open_)[0, 2] == pytest.approx(3.0 - 0.2)
    closed = replace(open_, unexplained=np.broadcast_to(over, (7, 5)))
    assert account.cautions(time, closed) == []
    slight = replace(open_, unexplained=np.broadcast_to(-0.1 * over, (7, 5)))
    assert account.cautions(time, slight) == []
    lost = np.full((7, 5), np.nan)
    assert account.cautions(time, replace(a, hand_work=lost, unexplained=lost)) == []


def test_no_kinetic_energy_is_answered_that_the_hand_has_not_given():
    # 9 J for a while; a spike of 0.5 ms to 13 J in every draw, all of it beyond the work.
    time = np.arange(0.0, 0.1, 1e-4)
    rng = np.random.default_rng(4)
    spike = 4.0 * np.exp(-(((time - 0.05) / 2.5e-4) ** 2))
    curve = 9.0 - ((time - 0.03) / 0.05) ** 2
    kinetic = curve + spike + 0.02 * rng.standard_normal((20, time.size))
    none = np.full_like(kinetic, -1.0)
    assert np.median(energy.peak_kinetic_energy(time, kinetic, none)) > 12.0
    over = np.broadcast_to(spike, kinetic.shape)
    found = energy.peak_kinetic_energy(time, kinetic, over)
    assert np.median(found) == pytest.approx(9.0, abs=0.05)
    # spikes of single draws, each at another time, are no peak of the line's
    lone = np.stack([curve + np.roll(spike, 30 * (d - 10)) for d in range(20)])
    lone = lone + 0.02 * rng.standard_normal(lone.shape)
    assert np.median(lone.max(axis=1)) > 12.0
    assert np.median(energy.peak_kinetic_energy(time, lone, none)) < 11.0


def test_lists_of_the_account_have_their_draws_bands():
    rng = np.random.default_rng(10)
    a = booked(rng)
    line = Line(np.array([0.0, 1.0]), np.full(2, 4e-3), np.array([0.03, 0.01]))
    station, time = np.linspace(0.0, 1.0, 6), np.arange(5) * 0.1
    lists = xr.Dataset(coords={"time": time, "station": station})
    speed = {end: rng.uniform(1.0, 9.0, (5, 6)) for end in ("", "_low", "_high")}
    for end, values in speed.items():
        lists["speed" + end] = (("time", "station"), values)
    put_account(lists, a, line)
    names = {
        "potential_energy": a.potential, "bending_energy": a.bending, "drag_loss": a.drag,
        "tuft_loss": a.tuft, "damping_loss": a.damping, "unexplained_work": a.unexplained,
        "momentum": a.momentum, "angular_momentum": a.angular, "hand_torque": a.torque,
        "drag_loss_by_station": a.drag_by_station, "energy_flux": a.energy_flux,
        "momentum_flux": a.momentum_flux,
    }  # fmt: skip
    for name, draws in names.items():
        # the k-th of D draws stands at k / (D + 1), straight on past the outermost
        place = np.arange(1, len(draws) + 1) / (len(draws) + 1)
        curve = interp1d(place, np.sort(draws, axis=0), axis=0, fill_value="extrapolate")
        for end, level in (("_low", 0.025), ("", 0.5), ("_high", 0.975)):
            np.testing.assert_allclose(lists[name + end], curve(level))
    density = 0.03 - 0.02 * station
    for end, values in speed.items():
        np.testing.assert_allclose(
            lists["kinetic_energy_by_station" + end], 0.5 * density * values**2
        )


def test_so_many_draws_are_asked_and_all_over():
    class Shape:
        def __init__(self, *shape):
            self.position = np.empty((*shape, 0))

    assert account.accounted(Shape(7, 10, 5)).tolist() == list(range(7))
    many = account.accounted(Shape(200, 10, 5))
    assert many.size == 60 and (many[0], many[-1]) == (0, 199)
    assert np.diff(many).min() >= 3 and np.diff(many).max() <= 4
    assert account.accounted(Shape(200, 2000, 50)).size == 40  # 4 million nodes in all
    assert account.accounted(Shape(200, 9000, 50)).size == 30


def test_slopes_on_an_uneven_grid_are_those_of_a_parabola():
    time = np.array([0.0, 0.1, 0.25, 0.3, 0.6])
    values = (2.0 - 3.0 * time + 5.0 * time**2)[:, None]
    found = account.acceleration(time, values)[:, 0]
    np.testing.assert_allclose(found, -3.0 + 10.0 * time, atol=1e-12)
    np.testing.assert_allclose(account.acceleration(time[:2], values[:2])[:, 0], -2.5)


def test_a_draw_is_as_heavy_as_its_kinetic_energy_says():
    """The chain's mass scaled so that half m v^2, all nodes at one velocity, is what is stated."""
    chain = lash()
    whole = amplify.mass_beyond(chain, np.array([0.0]))[0]
    velocity = np.zeros((2, 11, 3))
    velocity[1] = [3.0, 0.0, 4.0]
    half = 0.5 * whole * 25.0
    own = account._as_heavy(chain, velocity, np.array([0.0, 1.2 * half]))
    np.testing.assert_allclose(own.link_mass, 1.2 * chain.link_mass)
    assert account._as_heavy(chain, 0 * velocity, np.array([0.0, 1.0])) is chain
    assert account._as_heavy(chain, velocity, np.zeros(2)) is chain
