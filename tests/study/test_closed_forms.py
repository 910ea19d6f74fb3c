"""The closed forms in their limits, and against the stroke that the family's hands make."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lashwave.mechanics import Medium
from lashwave.mechanics.quick import simulate_quickly
from lashwave.study import closed_forms, ensemble, throw_family
from lashwave.study.closed_forms import FORMS, fold_speed, fold_time, from_form, over_form
from lashwave.study.throw_family import PEAK_RATE
from lashwave.twin.hands import ease


@pytest.mark.parametrize("taper", [0.0, 1.0, 2.0])
def test_speed_and_time_of_a_fold_on_a_line_that_tapers_to_nothing(taper) -> None:
    left = np.geomspace(0.01, 1.0, 9)
    slope = np.polyfit(np.log(left), np.log(fold_speed(left, 0.0, taper)), 1)[0]
    assert np.isclose(slope, -(taper + 1) / 2)
    assert np.isclose(fold_time(0.0, taper)[0], 4.0 / (taper + 3.0))


def test_the_butt_moves_as_it_was_started_and_a_uniform_line_is_the_power_zero() -> None:
    assert np.isclose(fold_speed(1.0, 0.2, 1.4), 1.0)
    assert np.allclose(fold_time(1.0, 1.7), 4.0 / 3.0)


def test_a_smooth_stroke_is_as_fast_as_the_family_says() -> None:
    x = np.linspace(0.0, 1.0, 200_001)
    assert np.isclose(np.gradient(ease(x), x).max(), PEAK_RATE, rtol=1e-6)


def test_what_a_law_adds_to_a_form_comes_back() -> None:
    throws = pd.DataFrame(ensemble.draw(5, 1), columns=throw_family.NAMES)
    value = np.linspace(1.0, 3.0, 5)
    for name in FORMS:
        assert np.allclose(from_form(throws, name, over_form(throws, name, value)), value)


def test_the_mass_beyond_is_that_of_the_line_itself() -> None:
    throw = dict(zip(throw_family.NAMES, ensemble.draw(1, 2)[0], strict=True))
    line = throw_family.line_of(throw)
    beyond = line.station >= 0.7 * throw["length"] - 1e-9
    s, mu = line.station[beyond], line.linear_density[beyond]
    mass = float(np.trapezoid(mu, s))
    share = closed_forms.mass_beyond(0.3, throw["tip_ratio"], throw["taper"])
    assert np.isclose(mass, share * throw["mass"], rtol=1e-3)


def test_the_engine_comes_to_the_closed_forms_where_nothing_but_inertia_is_left() -> None:
    """Air, weight, bending and damping near nothing, a narrow fold, a wedge: V^2 m is kept."""
    throw = {
        **throw_family.MIDDLE, "tip_ratio": 0.2, "taper": 1.0, "stiffness": 1e-5, "damping": 1e-5,
        "direction": 0.0, "follow": 0.0, "loop": 0.06,
        "amplitude": 2.0, "time": 0.1,
    }  # fmt: skip
    chain = throw_family.chain_of(throw, 120)
    hand = throw_family.hand_speed(throw)
    run = float(fold_time(0.2, 1.0)[0]) * throw["length"] / hand
    times = np.linspace(0.0, run, 400)
    place, speed = throw_family.start_of(throw, chain)
    motion = simulate_quickly(
        chain, throw_family.grip_of(throw, run), Medium(0.0, 1.8e-5, 343.0), np.zeros(3),
        throw_family.law_of(throw), times, place, speed,
    )  # fmt: skip
    fold = 0.5 * (throw["length"] + motion.position[:, -1, 0]) / throw["length"]
    tip = np.linalg.norm(motion.velocity[:, -1], axis=1) / hand
    assert tip[0] == pytest.approx(1.0, rel=1e-4)
    for k in (150, 250, 320):  # the fold at 0.22 to 0.67 of the line
        form = fold_speed(1.0 - fold[k], 0.2, 1.0) / fold_speed(1.0 - fold[0], 0.2, 1.0)
        assert tip[k] == pytest.approx(float(form), rel=5e-3)
    # and the hand is pulled with mu V^2 / 4 as the fold sets out
    early = slice(20, 60)
    pull = np.median(np.linalg.norm(motion.hand_force[early], axis=1))
    form = closed_forms.closed_forms(pd.DataFrame([throw]))["peak_force"][0]
    assert pull == pytest.approx(form, rel=0.05)
