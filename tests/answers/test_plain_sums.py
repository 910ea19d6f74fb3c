"""Answers on small random draws against their definitions, written out as loops.

No reference here calls what it judges: integrals are fine sums, quantiles NumPy's own, ties and
pairs are counted one by one.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from scipy.signal import savgol_filter

from lashwave.answers import account, all, amplify, energy, momentum, order, pull, sound_in_air
from lashwave.answers.all import _cautions, _of_one_hand
from lashwave.answers.smoothing import smoothed
from lashwave.quantities.line import Tuft
from lashwave.quantities.moments import TipDraws
from lashwave.quantities.quantiles import band, last_axis_band
from lashwave.quantities.sightings import Onset
from lashwave.quantities.trial import Air, Microphone
from tests.answers.lines import lash


@pytest.mark.parametrize("span", [0.008, 0.04, 0.3])
def test_a_running_mean_is_the_integral_over_its_span(span):
    rng = np.random.default_rng(1)
    times = 0.5 + np.cumsum(rng.uniform(0.01, 0.1, 12))
    values = rng.normal(size=(2, 12))
    found = momentum.mean_over(times, values, span)
    # between grid times the running integral is taken as straight: exact where the span meets them
    for k in range(12):
        low, high = max(times[0], times[k] - span / 2), min(times[-1], times[k] + span / 2)
        for d in range(2):
            whole = [0.0]
            for i in range(11):
                area = 0.5 * (values[d, i] + values[d, i + 1]) * (times[i + 1] - times[i])
                whole.append(whole[-1] + area)
            parts = np.interp([low, high], times, whole)
            assert found[d, k] == pytest.approx((parts[1] - parts[0]) / (high - low), rel=1e-9)


def test_the_top_of_a_parabola_is_found_on_an_uneven_grid():
    times = np.array([0.0, 0.2, 0.5, 0.9, 1.0])
    for top in (0.35, 0.5, 0.62):
        values = 7.0 - 3.0 * (times - top) ** 2
        assert energy._peak(times, values) == pytest.approx(7.0, rel=1e-12)
    assert energy._peak(times, times) == 1.0  # greatest at an end: no parabola
    assert energy._peak(times, -times) == 0.0


def test_when_a_broken_line_is_greatest():
    times = np.array([0.0, 1.0, 2.0, 3.0])
    values = np.array([[1.0, 5.0, 2.0, 9.0], [1.0, 2.0, 8.0, 3.0], [4.0, 2.0, 1.0, 0.0]])
    until = np.array([2.0, 1.5, 3.0])
    np.testing.assert_allclose(momentum.peak_time(times, values, until), [1.0, 1.5, 0.0])


def test_the_pull_is_the_line_through_what_is_read(imposed):
    """Least squares of tensions from 35 to 110 mm beyond the grip, at 20 mm, by numpy.polyfit."""
    rng = np.random.default_rng(3)
    station = np.array([0.0, 0.2, 0.21, 0.225, 0.236, 0.25, 0.27, 0.309, 0.311, 0.5])
    tension = rng.uniform(5.0, 20.0, (1, 3, station.size))
    still = np.zeros((1, 3, 10, 3))
    draws = imposed.draws(np.arange(3) * 1e-3, station, still, still, tension=tension)
    weight = pull.reading(draws, 0.2)
    read = (station >= 0.235) & (station <= 0.31)
    line = np.polyfit(station[read] - 0.22, tension[0, :, read], 1)
    np.testing.assert_allclose(tension[0] @ weight, line[1], rtol=1e-9)
    assert (weight[~read] == 0.0).all() and weight.sum() == pytest.approx(1.0)


def test_the_peak_of_the_pull_is_read_where_the_median_is_greatest():
    times = np.arange(6) * 0.1
    rng = np.random.default_rng(5)
    base = np.array([1.0, 3.0, 6.0, 10.0, 4.0, 30.0])
    draws = base + rng.normal(0.0, 0.1, (2000, 6))
    until = np.full(2000, 0.45)
    found = pull.peak_pull(times, draws, until)
    log = np.log(found / draws[:, 3])
    # of the median (4 + 30) / 2 = 17 at 0.45 s, not of 10 at 0.3 s
    at_end = 0.5 * (draws[:, 4] + draws[:, 5])
    log = np.log(found / at_end)
    assert log.std() == pytest.approx(0.05, rel=0.1) and abs(log.mean()) < 5 * 0.05 / np.sqrt(2000)


def test_spans_are_widened_while_they_agree():
    """Lepski's rule time by time: the widest span whose median lies within 0.8 standard deviations
    of every narrower one's."""
    rng = np.random.default_rng(7)
    step, spans = 1e-3, (3e-3, 7e-3, 15e-3, 31e-3)
    truth = 3.0 * np.exp(-0.5 * ((np.arange(60) - 30) / 3.0) ** 2)
    draws = truth + 0.3 * rng.standard_normal(60) + 0.5 * rng.standard_normal((20, 60))
    curves = [savgol_filter(draws, 2 * round(0.5 * s / step) + 1, 2, axis=1) for s in spans]
    expected = draws.copy()
    for k in range(60):
        low, high = -np.inf, np.inf
        for curve in curves:
            middle, sd = np.median(curve[:, k]), 0.8 * curve[:, k].std()
            low, high = max(low, middle - sd), min(high, middle + sd)
            if low > high:
                break
            expected[:, k] = curve[:, k]
    found = smoothed(draws, step, spans)
    np.testing.assert_allclose(found, expected, rtol=1e-12)
    chosen = [
        int(np.argmin([np.abs(found[:, k] - c[:, k]).max() for c in curves])) for k in range(60)
    ]
    assert len(set(chosen)) > 2  # several spans have a part in it
    seven = smoothed(draws[:7], step, spans)
    np.testing.assert_array_equal(seven, draws[:7])  # too few to have a spread
    assert not np.array_equal(smoothed(draws[:8], step, spans), draws[:8])


def test_bands_are_numpys_quantiles_of_what_is_known():
    rng = np.random.default_rng(2)
    draws = rng.normal(size=(90, 5))
    draws[:20, 1] = np.nan
    draws[:50, 2] = np.nan  # 40 of 90: under half
    draws[:89, 3] = np.nan
    draws[:, 4] = np.nan
    for edges in (band(draws), last_axis_band(draws.T.copy())):
        for edge, level in zip(edges, (0.025, 0.5, 0.975), strict=True):
            assert edge[0] == pytest.approx(np.quantile(draws[:, 0], level, method="weibull"))
            assert edge[1] == pytest.approx(np.quantile(draws[20:, 1], level, method="weibull"))
            assert np.isnan(edge[2:]).all()
    few = band(draws, least=0.01)
    assert few[1][3] == pytest.approx(draws[89, 3]) and few[1][2] == pytest.approx(
        np.median(draws[50:, 2])
    )
    assert np.isnan(few[1][4])


@pytest.mark.parametrize("humidity", [0.2, 0.5, 0.9])
def test_the_doubt_of_sound_follows_its_slopes(humidity):
    """Slopes by central differences of twice the step, sensors by IEC 60751 and 5 % of humidity."""
    from lashwave.mechanics.air import medium

    def at(dt, dh):
        return medium(Air(295.0 + dt, 1e5, humidity + dh)).sound_speed

    by_heat = (at(0.2, 0.0) - at(-0.2, 0.0)) / 0.4
    by_damp = (at(0.0, 0.02) - at(0.0, -0.02)) / 0.04
    parts = (by_heat * 0.4 / np.sqrt(3), by_damp * 0.05 / np.sqrt(3), 300e-6 * at(0.0, 0.0))
    middle, sd = sound_in_air.speed(Air(295.0, 1e5, humidity))
    assert middle == at(0.0, 0.0)
    assert sd == pytest.approx(np.sqrt(np.square(parts).sum()), rel=2e-3)
    told = sound_in_air.answer(middle, sd)
    assert (told.value, told.sd, told.unit) == (middle, sd, "m s-1")
    assert told.high95 - middle == pytest.approx(1.96 * sd, rel=1e-4)
    assert middle - told.low95 == pytest.approx(1.96 * sd, rel=1e-4)


def test_a_peak_is_in_pascal_and_in_decibels(imposed):
    """20 log10(p / 20 uPa), ISO 1683; its deviation by the slope 20 / (p ln 10)."""
    microphones = tuple(
        Microphone(label, np.zeros(3), s, 0.0, 1e-4, full_scale=full)
        for label, s, full in (
            ("a", 2e-3, 5.0),
            ("b", None, 1.0),
            ("c", 1e-3, 1.0),
            ("d", 1e-3, 1.0),
        )
    )
    onset = Onset("a", 0.1, 1e-5, peak=-0.04, peak_sd=0.002, rate=1e5, clipped=False)
    onsets = (onset, replace(onset, microphone="b"), replace(onset, microphone="c", clipped=True))
    found = sound_in_air.peaks(replace(imposed.trial(), microphones=microphones, onsets=onsets))
    assert set(found) == {f"sound_peak_{w}:{m}" for w in ("pressure", "level") for m in "abc"}
    pressure, level = found["sound_peak_pressure:a"], found["sound_peak_level:a"]
    assert (pressure.value, pressure.sd) == (pytest.approx(100.0), pytest.approx(5.0))
    assert pressure.high95 == pytest.approx(100.0 + 1.96 * 5.0, rel=1e-4)
    assert level.value == pytest.approx(133.979, abs=1e-3)  # 100 Pa
    assert level.sd == pytest.approx(20 * np.log10(np.e) * 0.05)
    assert level.low95 == pytest.approx(level.value - 1.96 * level.sd, rel=1e-5)
    assert (pressure.unit, level.unit) == ("Pa", "dB")
    none, cut = found["sound_peak_level:b"], found["sound_peak_level:c"]
    assert none.value is None and none.reason == "no sensitivity is given"
    assert cut.value is None and "at least 40 Pa, 126.0 dB" in cut.reason


def test_shared_parameters_are_of_the_draws_or_of_the_fit(imposed):
    time = np.linspace(0.0, 0.1, 3)
    draws = imposed.draws(time, np.array([0.0, 1.0]), *np.zeros((2, 1, 3, 2, 3)),
                          shared={"drag_normal": np.array([0.8, 1.0, 1.4])})  # fmt: skip
    fit = imposed.fit(
        draws, shared={"damping_time": (1.5, 0.2), "registration_u:tip-view": (3.0, 0.5)}
    )
    found = all.fitted_parameters(imposed.trial(), fit)
    assert found["drag_normal"].value == 1.0
    damping, shift = found["damping_time"], found["registration_u:tip-view"]
    assert (damping.value, damping.sd, damping.unit) == (1.5, 0.2, "1")
    assert damping.low95 == pytest.approx(1.5 - 1.96 * 0.2, rel=1e-4)
    assert damping.high95 == pytest.approx(1.5 + 1.96 * 0.2, rel=1e-4)
    assert shift.unit == "px" and found["clock_offset:tip-view"].unit == "s"
    assert found["stiffness_scale"].reason == "not part of this fit"
    assert found["drag_tuft"].reason == "the line has no tuft"
    tufted = imposed.trial()
    tufted = replace(tufted, line=replace(tufted.line, tuft=Tuft(1e-5, 1e-6, 1e-5)))
    assert all.fitted_parameters(tufted, fit)["drag_tuft"].reason == "not part of this fit"


def test_the_balance_chooses_by_prior_and_rest():
    """One draw's law of s: its mean over many draws against the sum over a fine grid of its own."""
    rng = np.random.default_rng(6)
    scale = 1.6 * np.exp(0.5 * rng.standard_normal(3000))
    factor = account.damping_factors(np.full(3000, 0.05), np.full(3000, 0.04), 2.0, scale)
    logs = np.log(scale)
    s = np.linspace(-3.0, 3.0, 4001) * logs.std(ddof=1) + np.median(logs)
    expected = []
    for log in logs[:200]:
        miss = (0.05 - 0.04 * np.exp(s - log)) / (0.01 * 2.0)
        weight = np.exp(-0.5 * (miss**2 + ((s - np.median(logs)) / logs.std(ddof=1)) ** 2))
        expected.append((weight * (s - log)).sum() / weight.sum())
    found = np.log(factor)
    assert found.mean() == pytest.approx(np.mean(expected), abs=0.06)
    slope = np.polyfit(logs[:200], found[:200], 1)[0]
    assert slope == pytest.approx(np.polyfit(logs[:200], expected, 1)[0], abs=0.15)


def test_mass_beyond_a_station_is_summed_from_the_tip():
    chain = lash(tuft=3e-5)
    assert amplify.mass_beyond(chain, np.array([0.0]))[0] == pytest.approx(
        0.5 * (0.03 + 0.004) + 2 * 2e-4 + 3e-5, rel=1e-9
    )
    nodes = chain.station
    per_link = chain.link_mass[:, 0] + 2 * chain.link_mass[:, 1] + chain.link_mass[:, 2]
    for s in (0.05, 0.33, 0.8, 0.999):
        beyond = 0.0
        for j, m in enumerate(per_link):
            inside = np.clip((nodes[j + 1] - s) / (nodes[j + 1] - nodes[j]), 0.0, 1.0)
            beyond += m * inside
        assert amplify.mass_beyond(chain, np.array([s]))[0] == pytest.approx(beyond, rel=1e-9)


def test_the_exponent_is_the_slope_of_logarithms():
    from lashwave.answers.fold import Run

    chain = lash()
    station = np.linspace(0.3, 0.9, 12)
    mass = amplify.mass_beyond(chain, station)
    for power in (-0.5, -0.8):
        speed = 20.0 * (mass / mass[0]) ** power
        # the fold runs at 0.45 of the arm's speed: 0.9 of the law's half
        step = np.diff(station) / (0.45 * 0.5 * (speed[1:] + speed[:-1]))
        run = Run(np.concatenate([[0.0], np.cumsum(step)]), station, speed)
        assert amplify.exponent(run, chain) == pytest.approx(power, rel=1e-9)
        assert amplify.speed_ratio(run) == pytest.approx(0.9, rel=1e-9)
    # twice as many times in one half of the run change nothing of a law that bends
    many = np.unique(np.concatenate([station, np.linspace(0.3, 0.6, 60)]))
    heavy = amplify.mass_beyond(chain, many)
    slopes = [
        amplify.exponent(Run(s, s, np.exp(np.log(m / mass[0]) ** 2 + 3.0)), chain)
        for s, m in ((station, mass), (many, heavy))
    ]
    assert slopes[0] == pytest.approx(slopes[1], rel=0.05)
    short = Run(station[:2], station[:2], np.array([20.0, 21.0]))  # too little of the line
    still = Run(station, station, np.zeros(12))
    assert np.isnan(amplify.exponent(short, chain)) and np.isnan(amplify.exponent(still, chain))


def test_the_order_of_events_is_counted_pair_by_pair():
    rng = np.random.default_rng(11)
    times = {n: np.round(rng.normal(size=60), 1) for n in "abcd"}
    times["b"][:20] = np.nan
    times["d"][:40] = np.nan  # a third of the draws only
    found = order.order(times)
    names = tuple("abcd")
    assert found.events == names
    # of 60 draws none is surer than 1 - 3 / 60 (rule of three)
    np.testing.assert_allclose(found.happened, [0.95, 2 / 3, 0.95, 1 / 3])
    for a, b in permutations(range(4), 2):
        score, both = 0.0, 0
        for x, y in zip(times[names[a]], times[names[b]], strict=True):
            if np.isfinite(x) and np.isfinite(y):
                both += 1
                score += 1.0 if x < y else 0.5 if x == y else 0.0
        assert found.before[a, b] == pytest.approx(score / both)
    assert np.isnan(np.diag(found.before)).all()
    counts = {}
    for k in range(20, 60):  # the draws that have a, b and c, which most draws have
        way = tuple(sorted("abc", key=lambda n: (times[n][k], n)))
        counts[way] = counts.get(way, 0) + 1
    best = max(counts.values())
    assert counts[found.likeliest] == best and found.probability == pytest.approx(best / 40)


def test_the_tip_turns_when_its_chord_turns_fastest(imposed):
    """A chord that turns by a bell of rate in time; another, faster, is not near the peak."""
    time = np.arange(0.0, 0.1, 1e-4)
    station = np.array([0.0, 0.5, 0.9, 0.95, 1.0])
    rate = 80.0 * np.exp(-0.5 * ((time - 0.05) / 1e-3) ** 2)
    rate += 200.0 * np.exp(-0.5 * ((time - 0.09) / 1e-3) ** 2)
    angle = np.cumsum(rate) * 1e-4
    out = np.stack([np.cos(angle), 0 * angle, np.sin(angle)], axis=-1)
    side = np.stack([-np.sin(angle), 0 * angle, np.cos(angle)], axis=-1)
    place, speed = np.zeros((2, time.size, 5, 3))
    place[:, 4], speed[:, 4] = 0.05 * out, 0.05 * rate[:, None] * side
    speed += np.array([3.0, 0.0, 0.0])  # a common velocity turns nothing
    draws = imposed.draws(time, station, place, speed)
    found = order.tip_turns(draws, np.array([0.055]))
    assert found[0] == pytest.approx(0.05, abs=2e-4)
    assert order.tip_turns(draws, np.array([0.08]))[0] == pytest.approx(0.09, abs=2e-4)


def test_too_few_draws_and_peaks_at_an_end_are_cautioned():
    flat = np.zeros(100)

    def said(count, ends):
        when = np.where(np.arange(count) < ends, 1.0, 0.5)
        return _cautions(TipDraws(flat, flat, when, flat), (0.0, 1.0))

    assert said(100, 10) == []
    assert said(100, 11) == ["the tip is fastest at an end of the record in 11% of the draws: its "
                             "peak may lie outside"]  # fmt: skip
    assert "only 99 draws" in said(99, 0)[0]
    assert _of_one_hand(np.array([np.nan, np.nan]), "J").value is None
    assert _of_one_hand(np.array([1.0, np.nan, 3.0]), "J").value == 2.0
