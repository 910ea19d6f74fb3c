"""A record in windows from folder to files, and a run that goes on where it was killed."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import lashwave.estimate
from lashwave.estimate import Options, long_search
from lashwave.files import read_draws, read_lists, read_motion, write_trial
from lashwave.pipeline import in_words, reconstruct_folder, window_for
from lashwave.pipeline.long_trial import with_time_left
from lashwave.quantities import InputError, LostMotionError
from lashwave.twin import make
from lashwave.workbench.cli import main
from lashwave.workbench.reconstruct_command import window_length

OPTIONS = Options(draws=20, spacing_butt=0.2, spacing_tip=0.08, spacing_clamp=0.05)


@pytest.fixture(scope="module")
def trial():
    whole = make(3, "swing")[0]
    m = whole.markers
    few = replace(m, time=m.time[:300], position=m.position[:300], sd=m.sd[:300])
    return replace(whole, markers=few, cameras=())


@pytest.fixture(scope="module")
def answered(trial, tmp_path_factory):
    """The folder of a run that was stopped in its second window, and run again."""
    place = tmp_path_factory.mktemp("long")
    write_trial(place / "t", trial)
    seen = []

    def stop(stage, _share):
        if stage.startswith("window 2"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        reconstruct_folder(place / "t", place / "t.answers", stop, OPTIONS, window=0.3)
    assert not (place / "t.answers").exists()
    assert (place / "t.answers.begun" / "window-00000.npz").is_file()
    with pytest.MonkeyPatch.context() as patch:
        sought = long_search._sought_window

        def counted(*given):
            seen.append(given[4])
            return sought(*given)

        patch.setattr(long_search, "_sought_window", counted)
        done = reconstruct_folder(place / "t", place / "t.answers", None, OPTIONS, window=0.3)
    return place, done, seen


def test_a_killed_run_goes_on_and_leaves_nothing_behind(answered):
    place, done, seen = answered
    assert len(seen) == 1  # the second of two windows
    assert sorted(p.name for p in place.iterdir()) == ["t", "t.answers"]
    names = {p.name for p in (place / "t.answers").iterdir()}
    assert names == {
        "motion.nc", "samples.nc", "answers.nc", "sightings.nc", "summary.json", "report.html",
        "report.pdf", "figures",
    }  # fmt: skip
    assert done.fit.time.size == read_motion(place / "t.answers").sizes["time"]


def test_the_files_hold_the_whole_record_and_agree(answered, trial):
    place, done, _ = answered
    out = place / "t.answers"
    motion, lists = read_motion(out), read_lists(out)
    time = motion["time"].values
    np.testing.assert_allclose(time[[0, -1]], trial.markers.time[[0, -1]])
    np.testing.assert_array_equal(lists["time"].values, time)
    speed = np.linalg.norm(motion["velocity"].values[:, -1], axis=-1)
    off = np.abs(lists["tip_speed"].values - speed)
    assert np.isfinite(off).all() and np.median(off) < 0.05 * speed.max()
    record = json.loads((out / "summary.json").read_text())
    peak = record["quantities"]["peak_tip_speed"]
    assert peak["value"] == done.answers["peak_tip_speed"].value
    assert peak["value"] == pytest.approx(speed.max(), rel=0.05)
    work = record["quantities"]["hand_work"]["value"]
    assert lists["hand_work"].values[-1] == pytest.approx(work, rel=1e-9)
    draws = list(read_draws(out, 20))
    assert len(draws) == 20 and draws[0].station.size == 3
    tips = np.array([np.linalg.norm(d.velocity[:, -1], axis=-1).max() for d in draws])
    assert np.median(tips) == pytest.approx(peak["value"], rel=0.05)


def test_windows_come_by_themselves_for_a_long_record_and_as_asked(trial):
    m = trial.markers
    long = replace(trial, markers=replace(m, time=np.arange(3000) / 500.0))
    assert window_for(trial, None) is None and window_for(long, None) == 1.0
    assert window_for(long, 0.0) is None
    assert window_for(trial, 0.5) == 0.5 and window_for(trial, 0.1) == 0.3


@pytest.mark.parametrize(("text", "seconds"), [("none", 0.0), ("500 ms", 0.5), ("2", 2.0)])
def test_a_window_is_a_length_or_none(text, seconds):
    assert window_length(text) == seconds


@pytest.mark.parametrize("text", ["0.1", "some", "-1 s", "2 m", "nan"])
def test_a_window_that_is_none_is_refused_in_a_line(text):
    with pytest.raises(InputError, match="--window"):
        window_length(text)


def test_the_time_left_is_what_the_share_done_foretells(monkeypatch):
    clock = iter([100.0, 110.0, 160.0])
    monkeypatch.setattr("lashwave.pipeline.long_trial.time.monotonic", lambda: next(clock))
    told = []
    show = with_time_left(lambda stage, share: told.append((stage, share)))
    show("a", 0.2)
    show("b", 0.21)
    show("c", 0.5)
    assert told == [("a", 0.2), ("b", 0.21), ("c, 2 min left", 0.5)]
    assert in_words(0.2) == "1 s" and in_words(89.0) == "89 s" and in_words(3 * 3600) == "3.0 h"


def test_withheld_sightings_are_foretold_by_windows_as_by_the_whole(answered):
    """The same sightings at the same times, with errors and deviations alike."""
    place, said = answered[0], []
    for name, window in (("windows", 0.3), ("whole", 0.0)):
        reconstruct_folder(place / "t", place / name, None, OPTIONS, ("every:4",), window)
        record = json.loads((place / name / "summary.json").read_text())
        assert record["provenance"]["options"]["withhold"] == ["every:4"]
        assert "reconstructed without every:4" in record["warnings"][0]
        assert "without every:4" in (place / name / "report.html").read_text()
        said.append(record["withheld"])
    windows, whole = said
    assert (windows["sightings"], windows["outside"]) == (whole["sightings"], whole["outside"])
    assert windows["groups"].keys() == whole["groups"].keys()
    one, other = windows["pooled"]["m"], whole["pooled"]["m"]
    assert one["rms"] == pytest.approx(other["rms"], rel=0.25)
    assert one["sd"] == pytest.approx(other["sd"], rel=0.25)
    assert one["coverage95"] == pytest.approx(other["coverage95"], abs=0.06)


def test_its_answers_are_compared_and_models_are_ranked_by_it(answered, tmp_path, capsys):
    trial, own = answered[0] / "t", answered[0] / "t.answers"
    assert main(["compare", str(own), str(own), "--out", str(tmp_path / "c"), "--quiet"]) == 0
    rows = (tmp_path / "c" / "comparison.csv").read_text()
    assert "peak_tip_speed" in rows
    words = ["--answers", str(own), "--quiet", "--out"]
    assert main(["rank", str(trial), *words, str(tmp_path / "r"), "--horizon", "0.2"]) == 0
    assert (tmp_path / "r" / "models.csv").read_text().count("\n") > 1


def test_a_prediction_is_refused_as_its_draws_lack_the_line(answered, tmp_path, capsys):
    words = ["--answers", str(answered[0] / "t.answers"), "--quiet", "--out", str(tmp_path / "p")]
    assert main(["predict", str(answered[0] / "t"), *words]) == 2
    said = capsys.readouterr()
    assert "samples.nc: has draws at 3 places only" in said.err + said.out


def test_a_long_record_is_taken_up_to_where_it_can_be_believed(tmp_path, monkeypatch):
    """The real fit, but that the whole record is lost at 0.5 s, as its energy is judged."""
    whole = make(3, "swing")[0]
    m = whole.markers
    few = replace(m, time=m.time[:400], position=m.position[:400], sd=m.sd[:400])
    end, seen, real, sought = 0.798, [], lashwave.estimate.judged, long_search._sought_window

    def judged(long):
        if long.path.time[-1] > 0.6:
            raise LostMotionError("too much energy", 0.55)
        return real(long)

    def counted(*given):
        seen.append(given[4])
        return sought(*given)

    monkeypatch.setattr(lashwave.estimate, "judged", judged, raising=False)
    monkeypatch.setattr(long_search, "_sought_window", counted)
    write_trial(tmp_path / "t", replace(whole, markers=few, cameras=()))
    done = reconstruct_folder(tmp_path / "t", tmp_path / "out", None, OPTIONS, window=0.3)
    # of its own windows only the last one is sought anew
    assert seen == pytest.approx([0.3, 0.6, end, 0.54], abs=3e-3)
    assert done.trial.markers.time[-1] == pytest.approx(0.54, abs=2.1e-3)
    assert read_motion(tmp_path / "out", 5000).time[-1] == done.trial.markers.time[-1]
    assert "ends at 0.5" in done.fit.warnings[0] and "too much energy" in done.fit.warnings[0]
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    assert summary["warnings"][0] == done.fit.warnings[0]
    assert "the motion ends at" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert not (tmp_path / "out.begun").exists()
