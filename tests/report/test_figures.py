"""What the figures compute for themselves: runs, shape moments, pixels, autocorrelation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from lashwave.quantities.answer import Answer
from lashwave.report import (
    export,
    figures_design,
    figures_fit,
    figures_maps,
    figures_seen,
    figures_study,
    report_scene as scene,
    style,
)
from tests.report import invented


def test_spans_are_the_runs_of_sightings() -> None:
    time = np.arange(6) * 0.1
    seen = np.array([True, True, False, False, True, False])
    assert figures_seen.spans(time, seen) == pytest.approx(np.array([[-0.05, 0.15], [0.35, 0.45]]))
    assert figures_seen.spans(time, np.zeros(6, dtype=bool)).shape == (0, 2)


def test_moments_crowd_where_the_line_is_fast() -> None:
    time = np.linspace(0, 1, 1001)
    speed = np.where(time > 0.9, 100.0, 1.0)[:, None] * np.ones((1, 3))
    chosen = figures_maps.moments(time, speed, (0.0, 1.0), 21)
    assert chosen[0] == 0.0
    assert chosen[-1] == pytest.approx(1.0)
    assert np.all(np.diff(chosen) > 0)
    # 10 of 10.9 m are gone in the last tenth; a tenth of the count is spread evenly.
    assert 14 <= (chosen > 0.9).sum() <= 19


def test_moments_of_a_line_at_rest_are_even() -> None:
    time = np.linspace(0, 1, 11)
    chosen = figures_maps.moments(time, np.zeros((11, 2)), (0.0, 1.0), 5)
    assert chosen == pytest.approx(np.linspace(0, 1, 5))


def test_a_map_keeps_a_peak_shorter_than_a_pixel() -> None:
    time = np.unique(np.concatenate([np.linspace(0, 1, 101), 0.5 + np.array([-1e-5, 0, 1e-5])]))
    values = np.where(np.abs(time - 0.5) < 5e-6, 7.0, 1.0)[:, None] * np.ones((1, 4))
    drawn, centre = figures_maps.image(time, np.linspace(0, 2, 4), values, (0.0, 1.0))
    assert drawn.shape == (figures_maps.UP, figures_maps.ACROSS)
    assert drawn.max() == pytest.approx(7.0)
    column = int(np.argmax(drawn[0]))
    assert abs(centre[column] - 0.5) <= 1.0 / figures_maps.ACROSS


def test_a_map_is_linear_in_time_and_station() -> None:
    time, station = np.array([0.0, 0.3, 1.0]), np.array([0.0, 0.5, 2.0])
    values = 3 * time[:, None] + 2 * station[None, :]
    drawn, centre = figures_maps.image(time, station, values, (0.05, 0.25))
    up = np.linspace(0, 2, figures_maps.UP)
    assert drawn == pytest.approx(3 * centre[None, :] + 2 * up[:, None])


def test_autocorrelation_of_a_known_process() -> None:
    # An AR(1) process x[t] = a x[t-1] + e has correlation a^k at lag k (Box and Jenkins, Time
    # Series Analysis, 1970, ch. 3). Spread of an estimate from n pairs: below 2 / sqrt(n).
    rng = np.random.default_rng(0)
    series = lfilter([1.0], [1.0, -0.6], rng.normal(size=(40000, 2)), axis=0)
    found, width = figures_fit.autocorrelation(series, 5)
    assert found == pytest.approx(0.6 ** np.arange(1, 6), abs=4 * 2 / np.sqrt(80000))
    assert width == pytest.approx(1.96 / np.sqrt(80000 - 2 * np.arange(1, 6)))


def test_autocorrelation_skips_gaps_and_white_noise_stays_in_its_band() -> None:
    rng = np.random.default_rng(1)
    series = rng.normal(size=(4000, 3))
    series[rng.random(series.shape) < 0.3] = np.nan
    found, width = figures_fit.autocorrelation(series, 40)
    # 95 % of 40; the 99.9 % binomial band of Binomial(40, 0.95) reaches down to 32.
    assert (np.abs(found) < width).sum() >= 32


def test_autocorrelation_of_nothing_is_missing() -> None:
    found, width = figures_fit.autocorrelation(np.full((30, 2), np.nan), 4)
    assert np.isnan(found).all()
    assert np.isnan(width).all()


def test_around_peak_holds_the_half_width() -> None:
    time = np.linspace(0, 1, 10001)
    speed = 400 / (1 + ((time - 0.6) / 0.01) ** 2)  # half of it at 0.59 and 0.61 s
    low, high = scene.around_peak(time, speed)
    assert low == pytest.approx(0.58, abs=4e-4)
    assert high == pytest.approx(0.62, abs=4e-4)


def test_distrusted_sightings_do_not_count_as_fit() -> None:
    trial = invented.trial()
    fit = invented.fit(trial, times=40, stations=10)
    shown = scene.gather(trial, fit, invented.answers(fit), invented.lists(fit))
    good = figures_fit.trusted(shown)
    weight = np.nan_to_num(fit.residuals.marker_weight)
    assert np.isnan(good[weight < 0.4]).all()
    assert np.isfinite(good[weight >= 0.4]).all()


def test_a_camera_stands_on_the_lab_clock() -> None:
    trial = invented.trial()
    fit = invented.fit(trial, times=40, stations=10)
    shown = scene.gather(trial, fit, {}, invented.lists(fit))
    # Frame f is at offset + f / rate; offset 1.2 ms, 20 kHz.
    assert shown.cameras[0].time[0] == pytest.approx(1.2e-3 + 8360 / 20e3)


def test_figures_can_stand_alone_and_side_by_side() -> None:
    trial = invented.trial()
    fit = invented.fit(trial, times=40, stations=10)
    figure = figures_fit.whiteness(
        scene.gather(trial, fit, invented.answers(fit), invented.lists(fit))
    )
    text = export.svg_in_page(figure, "f3")
    assert text.startswith("<svg ")
    assert "currentColor" in text
    assert style.INK not in text
    assert 'id="f3-' in text
    assert 'href="#f3-' in text
    assert "<!--" not in text


def test_bounds_of_a_share_are_exact() -> None:
    """Clopper and Pearson, Biometrika 26 (1934) 404: 19 of 20, and none missed of 10."""
    from lashwave.report.figures_fit import share_bounds

    low, high = share_bounds(np.array([0.95, 1.0]), np.array([20, 10]))
    # By the beta distribution's quantiles; of all k = n the lower one is 0.025^(1/n).
    assert low[1] == pytest.approx(0.025 ** (1 / 10), rel=1e-9) and high[1] == 1.0
    assert (low[0], high[0]) == pytest.approx((0.7513, 0.9987), abs=1e-4)


def test_the_residuals_sentence_reads_its_own_number() -> None:
    from dataclasses import replace

    from lashwave.report import words

    residuals = invented.fit(invented.trial(), times=40, stations=8).residuals
    said = {w: words._whiteness(replace(residuals, whiteness=w)) for w in (-0.14, 0.0, 0.2)}
    assert "−0.14" in said[-0.14] and "not white, they alternate" in said[-0.14]
    assert said[0.0].endswith("as these do.") and "they run on" in said[0.2]


def test_each_law_gets_one_sentence_that_says_whether_it_held() -> None:
    from lashwave.report import words

    held = Answer(-0.49, "1", 0.02, -0.53, -0.45)
    failed = Answer(1.1, "1", 0.02, 1.06, 1.14)
    found = words.laws({"fold_mass_exponent": held, "fold_speed_ratio": failed})
    assert len(found) == 2 and "it held" in found[0] and "did not hold" in found[1]
    assert words.laws({}) == []


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("values", [[300.0, 310.0], [300.0, None]])
def test_answers_side_by_side_fill_their_figure(values) -> None:
    rows = [figures_study.Strip(f"q{i}", "m s-1", values, [2.0, 2.0], ["A", "A"]) for i in range(3)]
    drawn = figures_study.strips(rows, ["a", "b"])
    export.figure_file(drawn, "svg")
    assert all(axes.get_position().width > 0.35 for axes in drawn.axes[:3])


def test_long_names_along_an_axis_are_not_cut() -> None:
    sds = {"peak_tip_speed_100us": [1.0, 0.9], "extension_at_sonic": [1.0, 1.3]}
    drawn = figures_design.resolved(["as stated", "two views"], sds)
    export.figure_file(drawn, "svg")
    drawn.set_dpi(72)  # a page's own
    assert all(text.get_window_extent().x0 > 0 for text in drawn.axes[0].get_yticklabels())
