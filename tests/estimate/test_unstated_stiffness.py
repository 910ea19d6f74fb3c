"""A trial whose line states no bending stiffness: it is fitted, and the fit finds it."""

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.droops import drooped, with_droops
from lashwave.estimate import Options, estimate
from lashwave.estimate.joint import held
from lashwave.estimate.momentum_rows import LAW_NAMES
from lashwave.estimate.setup import STIFFNESS_LOG_SD, held_scales, set_up
from lashwave.mechanics.stiffness_sources import known_stiffness
from lashwave.quantities.line import Droop
from lashwave.quantities.sightings import Markers
from lashwave.quantities.stiffness import SLOPE
from lashwave.quantities.trial import Trial
from lashwave.twin import make
from lashwave.twin.throws import draw_swing, draw_throw

COARSE = Options(spacing_butt=0.2, spacing_tip=0.1, draws=40)


def still(stiffness):
    """A line of the bench at rest, without a simulation."""
    lash = draw_swing(3, stiffness).lash
    place = np.zeros((40, lash.station.size, 3))
    place[..., 2] = -lash.stated_station
    labels = tuple(f"M{i:02d}" for i in range(lash.station.size))
    sd = np.full(place.shape[:2], 3e-4)
    markers = Markers(np.arange(40) / 500.0, labels, place, sd, lash.stated_station)
    return Trial("still", lash.stated, markers)


def prior_sd(setup):
    """Of the logarithmic scale while the path is sought."""
    return held(setup).shared.sd[setup.shared.index("stiffness_scale")]


def test_an_unstated_stiffness_is_free_and_has_its_prior():
    trial = still(stiffness=False)
    assert trial.line.bending_stiffness is None
    setup = set_up(trial, COARSE)
    assert "stiffness_scale" not in held_scales(setup)
    wide = np.hypot(known_stiffness(trial.line).log_sd, STIFFNESS_LOG_SD)
    assert prior_sd(setup) == pytest.approx(wide) and wide > 1.0


def test_a_stated_or_tested_stiffness_is_held():
    trial = still(stiffness=True)
    stated = trial.line
    droop = replace(stated, bending_stiffness=None, droops=(Droop(1.0, 0.1, 0.03, None, 1e-3),))
    for line in (stated, droop):
        setup = set_up(replace(trial, line=line), COARSE)
        assert "stiffness_scale" in held_scales(setup)
        assert prior_sd(setup) == pytest.approx(0.02)


def drooping(count):
    """A throw's line with droop tests in place of its column, at rest."""
    lash = draw_throw(0).lash
    line = drooped(lash.true, lash.stated, count, np.random.default_rng(0))
    trial = still(stiffness=False)
    station = np.linspace(0.0, line.length, trial.markers.station.size)
    place = np.zeros_like(trial.markers.position)
    place[..., 2] = -station
    markers = replace(trial.markers, position=place, station=station)
    return replace(trial, line=line, markers=markers)


def test_one_droop_test_leaves_the_taper_to_the_motion():
    """The factor is held, the exponent by which it is carried along the line is fitted."""
    setup = set_up(drooping(1), COARSE)
    assert setup.shared.names[len(LAW_NAMES)] == SLOPE
    assert SLOPE not in held_scales(setup) and "stiffness_scale" in held_scales(setup)
    column = setup.shared.index(SLOPE)
    assert setup.shared.mean[column] == 0.0
    assert held(setup).shared.sd[column] == pytest.approx(1 / np.sqrt(3), rel=0.02)


def test_a_slope_shifts_the_joints_by_the_diameter():
    """Half a power more: two joints' stiffness parts by the root of their diameters' ratio."""
    trial = drooping(1)
    setup = set_up(trial, COARSE)
    shared = setup.shared.mean.copy()
    bend = setup.kernel_chain(shared)[1]
    assert np.array_equal(bend, setup.chain.bend)
    shared[setup.shared.index(SLOPE)] = 0.5
    more = setup.kernel_chain(shared)[1][2:] / bend[2:]
    size = np.interp(setup.chain.station[2:-1], trial.line.station, np.log(trial.line.diameter))
    assert np.log(more / more[0]) == pytest.approx(0.5 * (size - size[0]), abs=1e-9)


def test_what_tests_tell_well_is_held_and_a_column_has_no_slope():
    assert {SLOPE, "stiffness_scale"} <= set(held_scales(set_up(drooping(3), COARSE)))
    setup = set_up(still(stiffness=True), COARSE)
    assert setup.shared.index(SLOPE) == -1
    assert setup.kernel_chain(setup.shared.mean)[5].shape == (0, setup.chain.links)


def seen(trial, truth):
    """The first sixth of a second of a swing, fitted."""
    m = trial.markers
    cut = replace(m, time=m.time[:80], position=m.position[:80], sd=m.sd[:80])
    fit = estimate(replace(trial, markers=cut), COARSE)
    off = fit.position - truth.path.at(fit.time, fit.station)[0]
    inside = float((np.abs(off) < 1.96 * fit.position_sd).mean())
    return fit, float(np.sqrt((off**2).sum(-1).mean())), inside


@pytest.fixture(scope="module")
def made():
    return make(3, "swing", stiffness=False, camera=False)


def test_the_fit_finds_a_stiffness_that_nobody_stated(made):
    """To a factor of three on links this coarse, where the guess is good to one of fifty."""
    trial, truth = made
    fit, distance, inside = seen(trial, truth)
    value, sd = fit.shared["stiffness_scale"]
    assert abs(np.log(value / truth.answers["stiffness_scale"])) < np.log(3.0)
    assert 0.05 < sd / value < 0.5, "the motion told it"
    assert distance < 0.8e-3 and 0.9 < inside < 0.999
    assert any("guessed from diameter" in text for text in fit.warnings)


def test_the_fit_finds_how_stiffness_goes_along_a_line_of_one_test(made):
    """Its true exponent by the twin's own table, against the least-squares fit of it."""
    trial, truth = with_droops(*made, 1)
    fit, distance, inside = seen(trial, truth)
    slope, sd = fit.shared[SLOPE]
    true, known = truth.scene.lash.true, known_stiffness(trial.line)
    free = true.station > true.handle_length
    ratio = np.log(true.bending_stiffness / known.value)
    wanted = np.polyfit(known.along[free], ratio[free], 1)[0]
    assert abs(wanted) > 0.8, "unlike what was taken"
    assert abs(slope - wanted) < 2.0 * sd and 0.1 < sd < 0.4
    assert distance < 0.8e-3 and 0.9 < inside < 0.999
    assert not any("guessed" in text for text in fit.warnings)
