"""Losses of draws whose drag and damping change along the line, against closed forms."""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.answers import account
from lashwave.mechanics import medium, normal_coefficient
from lashwave.quantities import DAMPING_SLOPE, DRAG_SLOPE

LINKS = 40
STATION = np.linspace(0.0, 1.0, LINKS + 1)
TIME = np.linspace(0.0, 0.2, 81)
SLOPES = np.array([-1.2, 0.0, 0.4, 0.9])


def curling():
    """A line whose joints all open alike: every one of them loses the same."""
    angle = 0.02 * np.sin(20.0 * TIME)[:, None] * np.arange(LINKS)
    rate = 0.4 * np.cos(20.0 * TIME)[:, None] * np.arange(LINKS)
    none, over = np.zeros_like(angle), 1.0 / LINKS
    t = np.stack([np.cos(angle), none, np.sin(angle)], axis=-1)
    w = rate[..., None] * np.stack([-np.sin(angle), none, np.cos(angle)], axis=-1)
    return tuple(np.insert(np.cumsum(over * part, axis=1), 0, 0.0, axis=1) for part in (t, w))


def losses(imposed, motion, **slopes):
    """The account of draws of one motion that differ in their slopes alone."""
    trial = imposed.trial(length=1.0, handle=0.0)
    trial = replace(trial, line=replace(trial.line, bending_stiffness=np.full(2, 1e-4)))
    place, speed = (np.tile(part, (SLOPES.size, 1, 1, 1)) for part in motion)
    return account.accounts_of(trial, imposed.draws(TIME, STATION, place, speed, shared=slopes))


@pytest.mark.parametrize("fast", [45.0, 0.0], ids=["by the mean motion", "by each draw"])
def test_the_damping_loss_goes_with_the_slope(imposed, monkeypatch, fast):
    """Mean of q^j over the joints, q the factor from one to the next: a geometric series."""
    monkeypatch.setattr(account, "FAST", fast)
    found = losses(imposed, curling(), **{DAMPING_SLOPE: SLOPES}).damping[:, -1]
    q = np.exp(np.where(SLOPES == 0.0, 1e-9, SLOPES) / LINKS)
    ratio = np.exp(-0.75 * SLOPES) * (q - q**LINKS) / (1.0 - q) / (LINKS - 1)
    assert found[1] > 0.0
    assert found / found[1] == pytest.approx(ratio, rel=1e-6)


def test_the_drag_loss_goes_with_the_slope(imposed):
    """A rod that turns at a rate W: a link at s loses as s^3 with the coefficient of its own Re."""
    rate = np.full(TIME.size, 300.0)
    found = losses(imposed, imposed.rod(TIME, STATION, 300.0 * TIME, rate), **{DRAG_SLOPE: SLOPES})
    s = 0.5 * (STATION[1:] + STATION[:-1])
    trial = imposed.trial(length=1.0, handle=0.0)
    air, speed = medium(trial.air), 300.0 * s
    reynolds = speed * 4e-3 * air.density / air.viscosity
    c = [normal_coefficient(r, v / air.sound_speed) for r, v in zip(reynolds, speed, strict=True)]
    across = 0.5 * air.density * 4e-3 / LINKS * np.array(c) * speed**3
    area = account.chain_of(trial, STATION).bluff_area
    markers = 0.5 * air.density * area @ (300.0 * STATION) ** 3
    power = (np.exp(SLOPES[:, None] * (s - 0.75)) * across).sum(axis=1) + markers
    assert found.drag[:, -1] == pytest.approx(power * TIME[-1], rel=1e-5)
