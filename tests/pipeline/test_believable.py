"""A record whose end cannot be believed is taken up to there; the fit itself stands in by hand."""

import json
from dataclasses import dataclass, replace

import numpy as np
import pytest
import xarray as xr

import lashwave.estimate
from lashwave.estimate import Options
from lashwave.files import write_trial
from lashwave.pipeline import reconstruct_folder
from lashwave.pipeline.believable import believable, up_to
from lashwave.quantities import LostMotionError, NotConvergedError
from tests.workbench.small_throw import small_throw


@pytest.fixture(scope="module")
def trial():
    return small_throw()[0]


@dataclass(frozen=True)
class Warned:
    """What a fit says."""

    warnings: tuple[str, ...]
    until: float = np.inf


class Fits:
    """Stands for the fit: refuses records that last beyond what can be believed."""

    def __init__(self, good_until, since, other=None):
        self.good_until, self.since, self.other, self.ends = good_until, since, other, []

    def __call__(self, trial, options, progress):
        end = float(trial.markers.time[-1])
        self.ends.append(end)
        if self.other is not None and len(self.ends) > 1:
            raise self.other
        if end > self.good_until:
            raise LostMotionError("too much energy", self.since(end))
        return Warned(("of the fit",))


def fitted(monkeypatch, trial, *how):
    """The trial, warnings and ends that were tried."""
    fits = Fits(*how)
    monkeypatch.setattr(lashwave.estimate, "estimate", fits, raising=False)
    short, fit = believable(trial, None, lambda stage, share: None)
    return short, fit.warnings, fits.ends


def test_a_record_is_cut_where_the_motion_is_lost_and_says_so(monkeypatch, trial):
    end = trial.markers.time[-1]
    short, said, ends = fitted(monkeypatch, trial, 0.8 * end, lambda _: 0.8 * end)
    assert len(ends) == 2 and 0.8 * end - 0.02 < ends[1] < 0.8 * end - 0.01 + 1e-9
    assert short.markers.time[-1] == ends[1]
    assert said[1:] == ("of the fit",)
    assert f"ends at {ends[1]:.3f} s" in said[0] and "too much energy" in said[0]


def test_a_record_that_is_lost_again_is_cut_again(monkeypatch, trial):
    end = trial.markers.time[-1]
    short, _, ends = fitted(monkeypatch, trial, 0.75 * end, lambda now: now - 0.02)
    assert len(ends) == 3 and ends[0] > ends[1] > ends[2] == short.markers.time[-1]


def test_a_whole_record_comes_back_as_it_was(monkeypatch, trial):
    short, said, ends = fitted(monkeypatch, trial, 1e9, None)
    assert short is trial and said == ("of the fit",) and len(ends) == 1


@pytest.mark.parametrize("since", [0.1, 0.5])
def test_a_record_lost_in_its_first_half_is_refused(monkeypatch, trial, since):
    end = trial.markers.time[-1]
    with pytest.raises(LostMotionError, match="too much energy"):
        fitted(monkeypatch, trial, 0.0, lambda _: since * end)


def test_what_is_refused_then_is_refused_as_the_whole_was(monkeypatch, trial):
    end = trial.markers.time[-1]
    other = NotConvergedError("something else")
    with pytest.raises(NotConvergedError, match="too much energy"):
        fitted(monkeypatch, trial, 0.8 * end, lambda _: 0.8 * end, other)


def test_what_a_camera_saw_later_goes_but_for_what_its_clock_leaves_open(trial):
    end = 0.6 * float(trial.markers.time[-1])
    camera = replace(trial.cameras[0], flashes=np.array([0, 7, 14]))
    short = up_to(replace(trial, cameras=(camera,)), end)
    time = camera.clock.offset + camera.frame / camera.rate
    kept = time <= end + 4.0 * camera.clock.offset_sd
    assert 0 < short.markers.time.size < trial.markers.time.size
    assert short.markers.time[-1] <= end + 1e-9
    assert end < short.markers.time[-1] + 1.1 / trial.markers.rate
    assert (short.cameras[0].frame == camera.frame[kept]).all()
    assert (short.cameras[0].uv == camera.uv[kept]).all()
    # a flash is told from all samples of the record, not from those that are left
    assert short.cameras[0].flash_times.size == trial.markers.time.size


def test_what_is_written_of_a_cut_record_ends_there_and_says_so(monkeypatch, trial, tmp_path):
    """The real fit, but that it refuses the whole record: files, report and answers are whole."""
    end = float(trial.markers.time[-1])
    real = lashwave.estimate.estimate

    def estimate(given, options, progress):
        if given.markers.time[-1] > 0.9 * end:
            raise LostMotionError("too much energy", 0.9 * end)
        return replace(real(given, options, progress), until=0.8 * end)  # draws end before it

    monkeypatch.setattr(lashwave.estimate, "estimate", estimate, raising=False)
    write_trial(tmp_path / "t", trial)
    coarse = Options(draws=30, spacing_butt=0.12, spacing_tip=0.04)
    reconstruct_folder(tmp_path / "t", tmp_path / "out", options=coarse)
    motion = xr.load_dataset(tmp_path / "out" / "motion.nc")
    assert 0.75 * end < float(motion.time[-1]) < 0.8 * end
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    first, second = summary["warnings"][:2]
    assert "before the record does" in first and "most draws hold more energy" in second
    assert f"ends at {float(motion.time[-1]):.4f} s" in second
    draws = xr.load_dataset(tmp_path / "out" / "samples.nc")
    assert float(draws.time[-1]) <= float(motion.time[-1]) + 1e-9
    assert summary["quantities"]["peak_tip_speed"]["value"] > 0.0
    assert "the motion ends at" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
