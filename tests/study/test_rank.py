"""Differences of models with their standard errors, forecasts, and sightings left out."""

import numpy as np
import pytest
from scipy.stats import ttest_1samp

from lashwave.mechanics.air import Medium
from lashwave.mechanics.grip import fixed
from lashwave.mechanics.law import Law
from lashwave.mechanics.simulation import simulate
from lashwave.quantities.errors import NotConvergedError
from lashwave.quantities.fit import Fit
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Markers
from lashwave.quantities.trial import Trial
from lashwave.study.forecast import MotionOnNodes, prepared, rivals
from lashwave.study.rank import (
    Errors,
    Windows,
    compare,
    differences,
    forecast_errors,
    scores,
    stretches,
    variants,
    without,
)
from lashwave.workbench.rank_command import held_differences
from tests.mechanics.vacuum import VACUUM

AIR = Medium(1.2, 1.8e-5, 343.0)
G = np.array([0.0, 0.0, -9.81])


def trial_of(air: Medium) -> tuple[Trial, MotionOnNodes]:
    """A light thick cord let go level from a fixed end, and its motion as the markers see it."""
    s = np.linspace(0, 1.0, 5)
    line = Line(s, np.full(5, 8e-3), np.full(5, 4e-3), np.full(5, 2e-4))
    time = np.arange(0, 0.4, 2e-3)
    label = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    empty = Markers(
        time, tuple("abcde"), np.zeros((time.size, 5, 3)), np.full((time.size, 5), 3e-4), label
    )
    chain = prepared(Trial("cord", line, empty, gravity=G)).chain
    start = np.stack([chain.station, 0 * chain.station, 0 * chain.station], axis=1)
    run = simulate(chain, fixed(np.zeros(3), [1, 0, 0]), air, G, Law(), time, start)
    node = np.abs(chain.station[None] - label[:, None]).argmin(1)
    noise = 3e-4 * np.random.default_rng(2).standard_normal((time.size, 5, 3))
    markers = Markers(time, tuple("abcde"), run.position[:, node] + noise, empty.sd, label)
    return Trial("cord", line, markers, gravity=G), MotionOnNodes(time, run.position, run.velocity)


@pytest.mark.parametrize("air, worse", [(AIR, True), (VACUUM, False)])
def test_the_model_that_made_the_motion_predicts_it_best(air, worse) -> None:
    trial, seen = trial_of(air)
    setup = prepared(trial)
    models = rivals(setup, Law())
    found = forecast_errors(setup, seen, (models[0], models[2]), Windows(40e-3, 20e-3, 6))
    (drag,) = differences([found])
    assert drag.name == "no drag"
    assert drag.failed == 0
    assert (drag.score > 2) if worse else (drag.score < -2)
    assert ("worse" if worse else "better") in drag.sentence()
    best = found.rms[0 if worse else 1]
    assert np.nanmedian(best) == pytest.approx(3e-4, rel=0.3)  # no more than the markers' noise


def test_standard_errors_are_over_blocks() -> None:
    rng = np.random.default_rng(4)
    block = np.repeat(np.arange(10), 6)
    shared = 0.1 + 0.2 * rng.standard_normal(10)[block]  # a block's forecasts err together
    rms = np.stack([np.ones(60), np.exp(shared)])
    (one,) = differences([Errors(("whole", "other"), np.arange(60.0), rms, block)])
    each = np.log(rms[1]).reshape(10, 6).mean(1)
    assert one.score == pytest.approx(ttest_1samp(each, 0.0).statistic, rel=1e-9)
    assert one.forecasts == 60
    (two,) = differences([Errors(("whole", "other"), np.arange(60.0), rms**0, block)])
    assert "cannot tell" in two.sentence()


def test_sightings_left_out_are_not_seen_and_punish_a_wrong_motion() -> None:
    trial, seen = trial_of(AIR)
    number = stretches(trial, each=2)
    assert number.max() >= 7
    kept = without(trial, number).markers.position
    assert np.isnan(kept[number >= 0]).all()
    assert np.isfinite(kept[number < 0]).all()
    chain = prepared(trial).chain
    sd = np.full_like(seen.position, 1e-4)
    blank = np.zeros(seen.position.shape[:2])

    def fit(place):  # type: ignore[no-untyped-def]
        return Fit(
            seen.time, chain.station, place, sd, seen.velocity, sd, seen.velocity, blank, blank,
            blank, None, None, {},  # type: ignore[arg-type]
        )  # fmt: skip

    right, wrong = (scores(trial, number, fit(seen.position + d)) for d in (0.0, 2e-3))
    assert right.size == number.max() + 1
    assert np.all(right > wrong)


def test_variants_take_one_part_away_each() -> None:
    trial, _ = trial_of(AIR)
    found = variants(trial)
    assert list(found) == ["whole", "no bending", "no drag"]
    assert not found["no bending"].line.bending_stiffness.any()
    bare, own = prepared(found["no drag"]).chain, prepared(trial).chain
    assert np.all(bare.diameter < 1e-6 * own.diameter)
    assert np.allclose(bare.bend, own.bend)


def test_a_model_by_which_no_motion_is_found_is_named_with_the_reason() -> None:
    trial, seen = trial_of(AIR)
    chain = prepared(trial).chain
    sd, blank = np.full(seen.position.shape, 1e-4), np.zeros(seen.position.shape[:2])

    def estimate(one: Trial) -> Fit:
        """The true motion, for any model that has air; it never sees the held-out samples."""
        assert np.isnan(one.markers.position).any()
        if one.line.diameter.max() < 1e-6:
            raise NotConvergedError("more energy than it was given")
        return Fit(
            seen.time, chain.station, seen.position, sd, seen.velocity, sd, seen.velocity, blank,
            blank, blank, None, None, {},  # type: ignore[arg-type]
        )  # fmt: skip

    found = compare(trial, estimate)
    assert found.failed == {"no drag": "more energy than it was given"}
    assert list(found.scores) == ["whole", "no bending"]
    listed = held_differences([found, found])
    assert [(name, why) for name, *_, why in listed] == [
        ("no bending", ""), ("no drag", "more energy than it was given")
    ]  # fmt: skip
    assert listed[0][1] == 0.0 and np.isnan(listed[1][1])
