"""The account of energy of a simulated swing, whose own account is exact."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from lashwave.answers import account
from lashwave.answers.lists import put_account
from lashwave.mechanics.air import medium
from lashwave.mechanics.grip import Grip
from lashwave.mechanics.law import Law
from lashwave.mechanics.simulation import simulate

TIME = np.linspace(0.0, 0.5, 1501)
LAW = Law(drag_normal=1.2, damping_time=1e-3)


@cache
def run(imposed):
    trial = imposed.trial(length=1.0, handle=0.1)
    trial = replace(trial, line=replace(trial.line, bending_stiffness=np.full(2, 1e-4)))
    station = np.concatenate([[0.0], np.linspace(0.1, 1.0, 20)])
    chain = account.chain_of(trial, station)
    t = np.linspace(-0.1, 0.7, 161)
    angle = 1.2 * np.sin(10 * t)
    place = np.stack([0.3 * np.sin(10 * t), 0 * t, 1 + 0 * t], axis=1)
    grip = Grip(t, place, np.stack([np.sin(angle), 0 * t, -np.cos(angle)], axis=1))
    motion = simulate(chain, grip, medium(trial.air), trial.gravity, LAW, TIME)
    return trial, station, motion


@pytest.fixture
def swung(imposed):
    trial, station, motion = run(type(imposed))
    draws = imposed.draws(
        TIME, station, motion.position.astype(np.float32), motion.velocity.astype(np.float32),
        hand_power=motion.hand_power[None], hand_force=motion.hand_force[None],
        kinetic_energy=motion.accounts.kinetic[None],
        shared={"drag_normal": np.array([1.2]), "damping_time": np.array([0.5])},
    )  # fmt: skip
    return trial, draws, motion


def test_the_account_closes_within_a_hundredth_of_the_hands_work(swung, monkeypatch):
    trial, draws, run = swung
    monkeypatch.setattr(account.energy, "WORK_MODEL_SD", 0.0)
    found = account.accounts_of(trial, draws)
    work = run.accounts.hand_work
    # the limit of the issue is 1 %; the grid of 1/3 ms and single precision leave far less
    assert np.abs(found.unexplained[0]).max() < 2e-3 * work.max()
    assert found.drag[0, -1] == pytest.approx(-run.accounts.drag_work[-1], rel=2e-3)
    assert found.damping[0, -1] == pytest.approx(run.accounts.damping_loss[-1], rel=1e-2)
    assert found.potential[0, -1] == pytest.approx(np.ptp(run.accounts.gravity[[0, -1]]), rel=1e-4)


def test_the_drag_by_station_adds_up_to_the_whole(swung):
    trial, draws, _ = swung
    found = account.accounts_of(trial, draws)
    whole = np.trapezoid(found.drag_by_station[0], draws.station)
    assert whole == pytest.approx(found.drag[0, -1], rel=1e-9)


def test_a_wrong_law_shows_as_unexplained(swung, monkeypatch):
    trial, draws, _ = swung
    monkeypatch.setattr(account.energy, "WORK_MODEL_SD", 0.0)
    wrong = replace(draws, shared=draws.shared | {"drag_normal": np.array([0.6])})
    right, off = account.accounts_of(trial, draws), account.accounts_of(trial, wrong)
    missed = right.drag[0, -1] - off.drag[0, -1]
    assert missed > 0.1 * right.drag[0, -1]
    assert off.unexplained[0, -1] - right.unexplained[0, -1] == pytest.approx(missed, rel=1e-9)


def test_with_the_far_end_held_the_hand_has_no_account(swung):
    trial, draws, _ = swung
    held = replace(trial, line=replace(trial.line, ends="held"))
    lost = replace(draws, hand_power=np.full_like(draws.hand_power, np.nan))
    answers = account.answers(account.accounts_of(held, lost))
    for name in ("unexplained_work", "peak_hand_torque"):
        assert answers[name].value is None and "held" in answers[name].reason
    assert answers["drag_loss"].value > 0.0


def test_lists_carry_units_and_leave_out_what_nobody_knows(swung):
    import xarray as xr

    trial, draws, _ = swung
    held = replace(trial, line=replace(trial.line, ends="held"))
    lost = replace(draws, hand_power=np.full_like(draws.hand_power, np.nan))
    speed = np.linalg.norm(draws.velocity[0], axis=-1)
    lists = xr.Dataset(coords={"time": draws.time, "station": draws.station})
    for end in ("", "_low", "_high"):
        lists["speed" + end] = (("time", "station"), speed)
    put_account(lists, account.accounts_of(held, lost), held.line)
    assert "unexplained_work" not in lists and "energy_flux" not in lists
    assert all(v.attrs["units"] for v in lists.data_vars.values() if v.name[:5] != "speed")
    # 10 g/m: kinetic energy per length is half of that times the speed squared
    assert lists["kinetic_energy_by_station"].values == pytest.approx(0.5 * 0.01 * speed**2)
