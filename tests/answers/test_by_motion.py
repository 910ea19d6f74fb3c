"""Answers of two rods that fit alike: which depend on which of them it was?"""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.answers import depending
from lashwave.quantities import Apart, Motions

TIME, STATION = np.linspace(0.0, 0.1, 41), np.linspace(0.0, 2.0, 11)


@pytest.fixture
def two(imposed):
    """30 draws of a rod whose tip reaches 100 m/s at 50 ms, 10 of one that reaches some more."""

    def made(more):
        rng = np.random.default_rng(4)
        motions = []
        for factor in [1.0] * 30 + [more] * 10:
            rate = factor * (1.0 + 0.01 * rng.standard_normal())
            rate = rate * 50.0 * (1.0 - np.abs(TIME / 0.05 - 1.0))
            turned = np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(TIME))
            motions.append(imposed.rod(TIME, STATION, np.concatenate([[0.0], turned]), rate))
        place, velocity = (np.stack(part) for part in zip(*motions, strict=True))
        apart = (Apart(0.04, 0.06, 1.0, 2.0, 0.3),)
        of_draw = np.repeat([0, 1], [30, 10])
        fit = imposed.fit(imposed.draws(TIME, STATION, place, velocity))
        return replace(fit, motions=Motions(np.array([0.75, 0.25]), of_draw, apart))

    return made


def test_the_peak_depends_on_the_rod_and_its_time_does_not(imposed, two):
    names = depending(imposed.trial(), two(1.1)).depending
    assert "peak_tip_speed" in names and "peak_tip_mach" in names
    assert "peak_tip_speed_time" not in names and "speed_of_sound" not in names


def test_rods_that_are_alike_change_no_answer(imposed, two):
    assert "peak_tip_speed" not in depending(imposed.trial(), two(1.0)).depending


def test_an_answer_that_one_rod_alone_has_depends_on_it(imposed, two):
    """The second rod's tip passes the speed of sound."""
    assert "sonic_time" in depending(imposed.trial(), two(3.6)).depending


def test_one_motion_has_no_such_answers(imposed, two):
    assert depending(imposed.trial(), replace(two(1.1), motions=None)) is None


def test_two_draws_tell_of_no_answer(imposed, two):
    fit = two(1.1)
    few = replace(fit.motions, of_draw=np.repeat([0, 1], [38, 2]))
    found = depending(imposed.trial(), replace(fit, motions=few))
    assert found.depending is None and "too few draws" in found.of_answers()
