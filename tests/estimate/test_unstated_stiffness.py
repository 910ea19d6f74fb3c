"""A trial whose line states no bending stiffness: it is fitted, and the fit finds it."""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import Options, estimate
from lashwave.estimate.joint import held
from lashwave.estimate.setup import STIFFNESS_LOG_SD, held_scales, set_up
from lashwave.mechanics.known_stiffness import known_stiffness
from lashwave.quantities.line import Droop
from lashwave.quantities.sightings import Markers
from lashwave.quantities.trial import Trial
from lashwave.twin import make
from lashwave.twin.throws import draw_swing

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
    tested = replace(
        trial.line, bending_stiffness=None, droops=(Droop(1.0, 0.1, 0.03, None, 1e-3),)
    )
    for line in (trial.line, tested):
        setup = set_up(replace(trial, line=line), COARSE)
        assert "stiffness_scale" in held_scales(setup)
        assert prior_sd(setup) == pytest.approx(0.02)


def test_the_fit_finds_a_stiffness_that_nobody_stated():
    """To a factor of two on links this coarse, where the guess is good to one of fifty."""
    trial, truth = make(3, "swing", stiffness=False)
    m = trial.markers
    cut = replace(m, time=m.time[:80], position=m.position[:80], sd=m.sd[:80])
    trial = replace(trial, markers=cut)
    fit = estimate(trial, COARSE)
    value, sd = fit.shared["stiffness_scale"]
    true = truth.scene.lash.true.bending_stiffness * truth.scene.law.stiffness_scale
    outer = true.size // 2
    wanted = np.log(true / known_stiffness(trial.line).value)[outer:].mean()
    assert abs(np.log(value) - wanted) < np.log(2.0)
    assert sd / value < 0.3, "the motion told it"
    off = fit.position - truth.path.at(fit.time, fit.station)[0]
    assert np.sqrt((off**2).sum(-1).mean()) < 1.2e-3
    assert 0.9 < (np.abs(off) < 1.96 * fit.position_sd).mean() < 0.999
    assert any("guessed from diameter" in text for text in fit.warnings)
