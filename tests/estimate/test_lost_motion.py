"""What is taken for a lost motion, on a small problem whose motion is any."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from lashwave.estimate import diagnosis
from lashwave.estimate.diagnosis import left_of
from lashwave.estimate.path import with_shares
from lashwave.estimate.sighting_rows import full_weights, look
from lashwave.estimate.sweep import gated
from lashwave.mechanics.accounts import kinetic_energy
from lashwave.quantities import DRAG_SLOPE
from tests.estimate.small_fit import path_of, setup_of, trial_of


@pytest.fixture
def small():
    rng = np.random.default_rng(8)
    setup = setup_of(trial_of(rng))
    return setup, path_of(setup, rng, times=24)


def within(setup, path):
    """The problem with marker M2 on the path at its fifth sample, far from it at all others."""
    markers = setup.trial.markers
    column = markers.labels.index("M2")

    def moved(place):
        return replace(setup, trial=replace(setup.trial, markers=replace(markers, position=place)))

    def off(place):
        return look(setup_ := moved(place), path, full_weights(setup_, np.inf)).marker

    far = markers.position + np.array([0.0, 0.0, 9.0])
    one, two = off(far), off(far + 1e-3)  # residuals are straight lines in the sample's place
    place = far.copy()
    place[4, column] -= 1e-3 * (one / (two - one))[4, column]
    assert np.abs(off(place)[4, column]).max() < 1e-6
    return moved(place), column, np.isfinite(off(place)).any(-1)


def test_the_sweep_keeps_what_a_track_leads_to_and_drops_what_it_does_not(small):
    setup, path = small
    setup, column, fresh = within(setup, path)
    weights = full_weights(setup, np.inf)
    every = np.ones(setup.trial.markers.position.shape[:2], dtype=bool)
    stray = gated(replace(setup, linked=~every), path, weights).marker[:, column]
    held = gated(replace(setup, linked=every), path, weights).marker[:, column]
    after = np.flatnonzero(fresh[:, column])
    after = after[after > 4]
    assert after.size > 3 and stray[4] == held[4] == 1.0
    assert (stray[after] == 0.0).all() and (held[after] == 1.0).all()


def test_rows_of_a_track_that_was_with_the_motion_are_the_motions_fault(small):
    setup, _ = small
    rows = np.zeros((24, 5), dtype=bool)
    rows[10:20, 1] = rows[:20, 2] = True  # the second was never with the motion
    every = np.ones_like(rows)
    left = left_of(replace(setup, linked=every), rows)
    assert left[10:20, 1].all() and left.sum() == 10
    assert not left_of(replace(setup, linked=~every), rows).any()
    assert not left_of(replace(setup, linked=None), rows).any()


def test_air_tuft_and_joints_take_of_what_a_motion_was_given(small, monkeypatch):
    """1, 2 and 3 W, for as long as the record lasts, by hand over what was given by then."""
    setup, path = small
    path.shared[setup.shared.index(DRAG_SLOPE)] = 0.5  # the line's drag is that of the motion
    density, asked = np.ones((path.time.size, setup.chain.links + 1)), []
    joint = SimpleNamespace(path=with_shares(setup, path, density), density=density)

    def share(*watt):
        each = np.ones(path.time.size)
        lost = SimpleNamespace(
            drag=np.outer(each, [0.25, 0.75]) * watt[0], tuft=watt[1] * each, damping=watt[2] * each
        )
        monkeypatch.setattr(diagnosis, "budget", lambda *state: asked.append(state[0]) or lost)
        return diagnosis.energy_share(setup, joint)

    none, taken = share(0.0, 0.0, 0.0), share(1.0, 2.0, 3.0)
    speed = CubicSpline(path.time, joint.path.node)(path.time, 1)
    given = kinetic_energy(setup.chain, speed) / none
    assert taken - none == pytest.approx(6.0 * (path.time - path.time[0]) / given, rel=1e-9)
    wanted = setup.chain_at(path.shared).drag_factor
    assert np.ptp(wanted) > 0.1 and all((chain.drag_factor == wanted).all() for chain in asked)
