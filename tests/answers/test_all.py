"""All answers together: their names in order, intervals, lists, warnings."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from lashwave.answers.all import answer
from lashwave.quantities.quantiles import band

# As answers/all.py gives them; test_register.py holds each against its definition.
NAMES = [
    "speed_of_sound",
    "peak_tip_speed",
    "peak_tip_speed_time",
    "peak_tip_mach",
    "peak_tip_speed_100us",
    "peak_speed",
    "sonic_time",
    "sonic_station",
    "extension_at_sonic",
    "peak_grip_tension",
    "peak_pull_past_clamp",
    "hand_impulse",
    "hand_work",
    "clock_offset:tip-view",
    "registration_u:tip-view",
    "registration_v:tip-view",
    "drag_normal",
    "drag_slope",
    "drag_tangential",
    "drag_tuft",
    "stiffness_scale",
    "damping_time",
    # of the second list
    "full_extension_time",
    "earlier_extension_time",
    "peak_kinetic_energy",
    "drag_loss",
    "tuft_loss",
    "damping_loss",
    "stored_energy",
    "peak_bending_energy",
    "unexplained_work",
    "peak_hand_torque",
    "fold_mass_exponent",
    "fold_speed_ratio",
    "tip_speed_from_hand",
    "tip_speed_from_start",
    "tip_speed_from_shortening",
    "tip_speed_from_taper",
    "tip_speed_from_other",
    "tip_speed_from_free_end",
    "peak_tip_acceleration",
    "angle_at_sonic",
    "probability_sonic_before_full_extension",
    "probability_sonic_before_tip_turns",
    "probability_tip_turns_before_full_extension",
    "probability_peak_speed_before_full_extension",
]

STATION = np.linspace(0.0, 2.0, 21)

END = norm.ppf((0.975 * 201 - 0.5) / 200)
"""Where the upper end stands of 200 draws in the middles of as many strata of a normal law [sd]."""


@pytest.fixture
def spread(imposed):
    """200 rods whose rates have a standard deviation of 1 %, to a peak of 240 m/s."""
    time = np.linspace(0.0, 0.5, 501)
    rate = 120.0 * np.sin(np.pi * time / 0.4) ** 2 * (time < 0.4)
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(time))])
    place = (np.arange(200) + 0.5) / 200
    from scipy.special import ndtri

    scale = 1.0 + 0.01 * np.random.default_rng(2).permutation(ndtri(place))
    motions = [imposed.rod(time, STATION, angle * f, rate * f) for f in scale]
    draws = imposed.draws(
        time,
        STATION,
        *(np.stack(part) for part in zip(*motions, strict=True)),
        shared={"clock_offset:tip-view": 1e-3 + 1e-5 * ndtri(place)},
    )
    return imposed.fit(draws, shared={"drag_normal": (1.1, 0.05)})


def test_every_name_is_answered(imposed, spread):
    answers, _, _ = answer(imposed.trial(), spread)
    assert list(answers) == NAMES
    for name, found in answers.items():
        record = json.loads(json.dumps(found.as_dict(), allow_nan=False))
        assert (record["value"] is None) == ("reason" in record), name


def test_intervals_are_those_of_the_draws(imposed, spread):
    answers, _, warnings = answer(imposed.trial(), spread)
    peak = answers["peak_tip_speed"]
    assert peak.value == pytest.approx(240.0, rel=1e-4)
    assert peak.sd == pytest.approx(2.4, rel=0.02)
    assert peak.high95 - peak.value == pytest.approx(END * 2.4, rel=0.005)
    assert answers["peak_tip_speed_time"].value == pytest.approx(0.2, abs=1e-4)
    # Mach adds the uncertainty of the speed of sound, some 0.05 %.
    assert answers["peak_tip_mach"].value == pytest.approx(240.0 / 343.987, rel=1e-3)
    assert answers["sonic_time"].value is None and answers["sonic_time"].probability == 3 / 200
    assert answers["clock_offset:tip-view"].value == pytest.approx(1e-3, rel=1e-6)
    assert answers["registration_u:tip-view"].reason == "not part of this fit"
    assert answers["drag_normal"].low95 == pytest.approx(1.1 - 1.96 * 0.05, rel=1e-4)
    assert answers["drag_tuft"].reason == "the line has no tuft"
    # These rods are given their speed with no power of a hand, and the account says so.
    (said,) = warnings
    assert "the hand has given 0 J" in said


def test_lists_have_medians_and_bands_on_the_grid(imposed, spread):
    _, lists, _ = answer(imposed.trial(), spread)
    assert lists.sizes["time"] == 501 and lists.sizes["station"] == 21
    at = lists.sel(time=0.2, station=2.0, method="nearest")
    assert float(at.speed) == pytest.approx(240.0, rel=1e-3)
    assert float(at.speed_high - at.speed_low) == pytest.approx(2 * END * 2.4, rel=0.005)
    assert float(at.tip_speed) == pytest.approx(float(at.speed), rel=1e-6)
    assert float(at.mach) == pytest.approx(240.0 / 343.987, rel=1e-3)
    for name in ("bend_station", "bend_speed", "kinetic_energy", "hand_power", "hand_force"):
        assert lists[name].dims == ("time",)
        assert lists[name].attrs["units"] and lists[name].attrs["long_name"]


def test_a_peak_at_the_end_of_the_record_is_warned_of(imposed):
    time = np.linspace(0.0, 0.1, 101)
    position, velocity = imposed.rod(time, STATION, 50.0 * time**2, 100.0 * time)
    _, _, warnings = answer(
        imposed.trial(), imposed.fit(imposed.draws(time, STATION, position, velocity))
    )
    assert any("end of the record" in text for text in warnings)
    assert any("only 1 draws" in text for text in warnings)


def test_bands_leave_out_what_is_missing():
    random = np.random.default_rng(0)
    values = random.normal(size=(101, 4))
    values[:, 1] = np.nan
    values[40:, 2] = np.nan  # 40 of 101 known: under half
    values[60:, 3] = np.nan
    low, middle, high = band(values)
    for edge, level in ((low, 0.025), (middle, 0.5), (high, 0.975)):
        assert edge[0] == pytest.approx(np.quantile(values[:, 0], level, method="weibull"))
        assert edge[3] == pytest.approx(np.quantile(values[:60, 3], level, method="weibull"))
        assert np.isnan(edge[1:3]).all()


def test_a_front_takes_its_place_in_the_order_of_events(imposed, spread):
    from lashwave.answers.all import moments_of
    from lashwave.quantities.fit import FrontBirths
    from lashwave.quantities.moments import SonicDraws

    trial = imposed.trial()
    never = SonicDraws(*(np.full(200, np.nan) for _ in range(3)))
    moments = replace(moments_of(trial, spread), sonic=never)
    plain, lists, _ = answer(trial, spread, moments)
    assert list(lists["event"].values) == [
        "tip_turns", "first_sonic", "peak_tip_speed", "full_extension"
    ]  # fmt: skip
    assert "probability_sonic_before_shock_born" not in plain
    # the tip is fastest at 0.2 s: a front of 0.25 s is later in every draw
    births = {"tip-view": FrontBirths(np.full(200, 0.25), np.zeros(200))}
    more, lists, _ = answer(trial, spread, moments, births)
    found = lists["probability_before"].sel(event="peak_tip_speed", event_after="shock_born")
    assert float(found) == 1 - 3 / 200
    assert more["probability_sonic_before_shock_born"].value is None
