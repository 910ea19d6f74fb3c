"""The closed forms in their limits, and against the stroke that the family's hands make."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lashwave.study import closed_forms, ensemble, throw_family
from lashwave.study.closed_forms import FORMS, fold_speed, fold_time, from_form, over_form
from lashwave.study.throw_family import PEAK_RATE, ease


@pytest.mark.parametrize("taper", [0.0, 1.0, 2.0])
def test_speed_and_time_of_a_fold_on_a_line_that_tapers_to_nothing(taper) -> None:
    left = np.geomspace(0.01, 1.0, 9)
    slope = np.polyfit(np.log(left), np.log(fold_speed(left, 0.0, taper)), 1)[0]
    assert np.isclose(slope, -(taper + 1) / 2)
    assert np.isclose(fold_time(0.0, taper)[0], 4.0 / (taper + 3.0))


def test_the_butt_moves_as_it_was_started_and_a_uniform_line_is_the_power_zero() -> None:
    assert np.isclose(fold_speed(1.0, 0.2, 1.4), 1.0)
    assert np.allclose(fold_time(1.0, 1.7), 4.0 / 3.0)


def test_a_stroke_is_as_fast_and_as_hard_as_the_forms_say() -> None:
    x = np.linspace(0.0, 1.0, 200_001)
    rate = np.gradient(ease(x), x)
    assert np.isclose(rate.max(), PEAK_RATE, rtol=1e-6)
    assert np.isclose(np.gradient(rate, x)[5:-5].max(), closed_forms.PULL_RATE, rtol=1e-4)


def test_what_a_law_adds_to_a_form_comes_back() -> None:
    throws = pd.DataFrame(ensemble.draw(5, 1), columns=throw_family.NAMES)
    value = np.linspace(1.0, 3.0, 5)
    for name in FORMS:
        assert np.allclose(from_form(throws, name, over_form(throws, name, value)), value)


def test_the_mass_beyond_is_that_of_the_line_itself() -> None:
    throw = dict(zip(throw_family.NAMES, ensemble.draw(1, 2)[0], strict=True))
    line = throw_family.line_of(throw)
    beyond = line.station >= throw["handle"] + 0.7 * throw["length"] - 1e-9
    s, mu = line.station[beyond], line.linear_density[beyond]
    mass = float(np.trapezoid(mu, s))
    share = closed_forms.mass_beyond(0.3, throw["tip_ratio"], throw["taper"])
    assert np.isclose(mass, share * throw["mass"], rtol=1e-3)
