"""`check` says what is wrong with a trial, and is silent about a sound one."""

import json
from dataclasses import replace

import numpy as np
import pytest

from lashwave.pipeline import checkup, health
from lashwave.pipeline.expected import expected_of
from lashwave.quantities.line import Droop
from lashwave.workbench.cli import main


def with_markers(trial, **changes):
    return replace(trial, markers=replace(trial.markers, **changes))


def moved(trial, change):
    """The trial with its marker places changed in a copy."""
    position = trial.markers.position.copy()
    change(position)
    return with_markers(trial, position=position)


def texts(trial, level=None):
    found = checkup.inspect(trial).findings
    return " | ".join(f"{f.about}: {f.text}" for f in found if level in (None, f.level))


def test_a_sound_trial_is_usable_and_has_nothing_said_of_it(trial):
    found = checkup.inspect(trial)
    assert found.verdict == "usable"
    assert found.findings == []


def test_stated_noise_is_compared_with_third_differences(trial):
    # The variance of a third difference of white noise is 1 + 9 + 9 + 1 = 20 times its own, the
    # sum of squares of the binomial coefficients, (6 choose 3) (Pascal).
    noise = 3e-4 * np.random.default_rng(0).standard_normal((3000, 3))
    drift = np.linspace(0, 1, 3000)[:, None] ** 2  # constant acceleration passes unseen
    found = health.noise_from_differences(noise + drift)
    assert 0.75 * 3e-4 < found < 1.05 * 3e-4  # calmest tenth of stretches: some 10 % low
    assert np.isnan(health.noise_from_differences(noise[:20]))
    loud = with_markers(trial, sd=np.full_like(trial.markers.sd, 3e-5))
    assert "M04: scatters by" in texts(loud, "care")


def test_gaps_and_coverage_are_counted(trial):
    def hide(position):
        position[100:161, 3] = np.nan
        position[:200, 5] = np.nan

    found = checkup.inspect(moved(trial, hide))
    by_label = {m.label: m for m in found.markers}
    assert by_label["M04"].longest_gap == pytest.approx(61 / 500.0)
    assert by_label["M04"].coverage == pytest.approx(240 / 301)
    assert "M06: seen in 34% of the samples" in texts(moved(trial, hide), "care")
    assert found.verdict == "usable with care"


def test_places_in_a_wrong_unit_are_not_usable(trial):
    found = checkup.inspect(moved(trial, lambda p: p.__imul__(1000.0)))
    assert found.verdict == "not usable"
    assert "1e+03 times further apart" in found.fault.text
    small = moved(trial, lambda p: p.__imul__(0.001))
    assert "no two markers ever come near their arc" in texts(small, "care")


def test_one_wrong_station_is_named(trial):
    station = trial.markers.station.copy()
    station[3] = 0.9  # it sits at 1.0: 0.6 m from M05, at most 0.5 on the line of M03
    said = texts(with_markers(trial, station=station), "care")
    assert "M03 to M04: up to 50" in said and "on 400.0 mm of line" in said
    assert "M04 to M05" not in said


@pytest.mark.parametrize("pair", [(0, 1), (2, 4)])
def test_exchanged_labels_are_suspected(trial, pair):
    a, b = pair

    def swap(position):
        position[150:170, [a, b]] = position[150:170, [b, a]]

    assert health.swap_suspects(trial.markers) == []
    found = health.swap_suspects(moved(trial, swap).markers)
    labels = (trial.markers.labels[a], trial.markers.labels[b])
    assert [suspect[:2] for suspect in found] == [labels]
    assert ", ".join(labels) + ": labels seem exchanged" in texts(moved(trial, swap))


def test_two_labels_at_one_place_are_named(trial):
    def double(position):
        position[:100, 4] = position[:100, 3]

    assert "M04, M05: at one place in 33% of samples" in texts(moved(trial, double), "care")


def test_one_marker_alone_is_not_usable(trial):
    alone = moved(trial, lambda p: p[:, 1:].fill(np.nan))
    assert checkup.inspect(alone).verdict == "not usable"


def test_a_grip_that_is_not_seen_is_named(trial):
    markers = trial.markers
    bare = with_markers(
        trial,
        labels=markers.labels[2:],
        position=markers.position[:, 2:],
        sd=markers.sd[:, 2:],
        station=markers.station[2:],
    )
    assert "no marker on the grip" in texts(bare, "care")
    assert "no marker of the grip is seen in 10%" in texts(
        moved(trial, lambda p: p[50:80, :2].fill(np.nan)), "care"
    )


def test_a_grip_held_by_one_marker_is_named_with_what_is_at_stake(trial):
    said = texts(moved(trial, lambda p: p[120:, 0].fill(np.nan)), "care")
    assert "the grip is held by one marker" in said and "from the line only" in said
    assert "the hand's torque and work are less sure" in said
    assert "held by one marker" not in texts(trial, "care")


def test_a_guessed_stiffness_is_named(trial):
    soft = replace(trial, line=replace(trial.line, bending_stiffness=None))
    assert "guessed from diameter and linear density" in texts(soft, "care")
    droop = Droop(1.0, 0.08, 0.03, None, 1e-3)
    tested = replace(trial, line=replace(soft.line, droops=(droop,)))
    assert "stiffness is from 1 droop test" in texts(tested, "note")
    assert "stiffness" not in texts(trial, "note") + texts(trial, "care")


def test_a_line_that_stretches_is_named_and_a_soft_one_refused(trial):
    """The line weighs 0.042 kg (trapezoids of 0.04, 0.02, 0.004 kg/m): 0.41 N at its butt."""

    def soft(stiffness):
        return replace(trial, line=replace(trial.line, axial_stiffness=np.full(3, stiffness)))

    assert "axial_stiffness" not in texts(trial)
    assert "taken as unstretchable" in texts(soft(1e4), "note")
    assert "taken as unstretchable" in texts(soft(500.0), "care")
    assert checkup.inspect(soft(42.0)).fault is None, "0.97 %"
    fault = checkup.inspect(soft(40.0)).fault
    assert fault is not None and "1.0% at the grip" in fault.text


def camera(trial, **changes):
    return replace(trial, cameras=(replace(trial.cameras[0], **changes),))


def test_camera_points_outside_record_or_image_are_named(trial):
    late = camera(trial, frame=trial.cameras[0].frame + 40_000)
    assert "outside the markers' record" in texts(late, "care")
    out = camera(trial, uv=trial.cameras[0].uv + 600.0)
    assert "outside the image: 100 points" in texts(out, "care")
    none = replace(trial, cameras=())
    assert "no camera point" in texts(none, "note")
    assert checkup.inspect(none).verdict == "usable"


@pytest.mark.parametrize("rate, odd", [(20_000.0, 0), (20_333.0, 0), (20_000.0, 3)])
def test_flashes_off_the_markers_rhythm_are_counted(trial, rate, odd):
    frames = np.rint((np.arange(40) / 500.0 + 1.3e-4) * rate).astype(np.int64)
    frames[:odd] += 7
    flashing = camera(trial, rate=rate, flashes=frames)
    assert health.flash_misfit(flashing.cameras[0], 500.0) == odd


def test_check_prints_a_verdict_and_json(folder, capsys):
    assert main(["check", str(folder)]) == 0
    said = capsys.readouterr()
    assert said.out.startswith("bench-test: usable") and said.err == ""
    assert "M06" in said.out
    assert "\nreconstruct: " in said.out and " of CPU, up to " in said.out
    assert main(["check", str(folder), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["verdict"] == "usable" and len(record["markers"]) == 6
    low, high = record["expected_cpu"]
    assert 0.0 < low < high and 4e8 < record["expected_memory"] < 5e9
    # Trapezoids of the table: (40 + 20) / 2 g + (20 + 4) / 2 g.
    assert record["line_mass"] == pytest.approx(0.042)


def test_check_of_an_unusable_trial_has_status_2_and_one_line(folder, capsys):
    rows = (folder / "markers.csv").read_text().splitlines()
    few = [row for row in rows if "M" not in row or ",M01," in row]
    (folder / "markers.csv").write_text("\n".join(few) + "\n")
    assert main(["check", str(folder)]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_long_record_is_expected_to_take_longer_but_hardly_more_memory():
    """In windows a minute takes less memory than the three seconds that are taken at once."""
    at_once, minute = expected_of(3.0), expected_of(60.0)
    assert minute.cpu[0] > 10.0 * at_once.cpu[0]
    assert expected_of(10.0).memory < minute.memory < 0.7 * at_once.memory
    assert minute.words.endswith("of CPU, up to 2.8 GB")
