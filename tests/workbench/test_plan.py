"""`lashwave plan`: its file, its table of what is kept, the next throw."""

from __future__ import annotations

import json

import numpy as np
import pytest
import xarray as xr

from lashwave import twin
from lashwave.quantities import Air, Answer, BenchPlan, Line, PlannedView
from lashwave.study import CampaignThrow
from lashwave.workbench import campaign_files, plan_command
from lashwave.workbench.cli import main
from lashwave.workbench.plan_file import read_plan

PLAN = """
question = "peak_tip_speed"
throw = 11
between = "5 %"
budget = 100
price_a_throw = 5
[markers]
count = 9
[[view]]
rate = "20 kHz"
[[set_up]]
name = "plain"
price = 20
[[set_up]]
name = "two views"
price = 60
view = [{}, {angle = "50 deg"}]
[[set_up]]
name = "fine markers"
price = 30
markers = {sd = "0.1 mm"}
"""


def written(folder, text=PLAN):
    path = folder / "plan.toml"
    path.write_text(text)
    return path


def test_a_set_up_states_what_differs(tmp_path):
    plain, two, fine = read_plan(written(tmp_path)).set_ups
    assert plain.markers.count == two.markers.count == fine.markers.count == 9
    assert [view.rate for view in two.views] == [20e3, 20e3]
    assert two.views[1].angle == pytest.approx(0.8727, abs=1e-4)
    assert fine.markers.sd == 1e-4 and plain.markers.sd == 3e-4


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("throw = 11", ""), "not stated once"),
        (('question = "peak_tip_speed"', 'question = "how fast"'), "question"),
        (("count = 9", "count = 900"), "3 to 60"),
        (('rate = "20 kHz"', 'rate = "20 px"'), "rate"),
        (('name = "two views"', 'name = "plain"'), "stands twice"),
        (("budget = 100", "budget = -1"), "budget"),
        (('between = "5 %"', "betwen = 1"), "did you mean 'between'"),
    ],
)
def test_a_plan_at_fault_is_one_line(tmp_path, capsys, change, words):
    path = written(tmp_path, PLAN.replace(*change))
    assert main(["plan", str(path), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and words in said
    assert not (tmp_path / "out").exists()


def _small():
    """A line of 1 m that swings round its butt, its tip at 50 m/s at last."""
    time, station = np.linspace(0.0, 0.1, 201), np.linspace(0.0, 1.0, 6)
    angle = 250.0 * time**2
    way = np.stack([np.cos(angle), np.zeros_like(time), np.sin(angle)], axis=-1)
    turn = np.stack([-np.sin(angle), np.zeros_like(time), np.cos(angle)], axis=-1)
    place = station[:, None] * way[:, None]
    speed = station[:, None] * (500.0 * time[:, None] * turn)[:, None]
    axes = ("time", "station", "axis")
    motion = xr.Dataset(
        {"position": (axes, place), "velocity": (axes, speed), "acceleration": (axes, speed)},
        coords={"time": time, "station": station},
    )
    line = Line(station, np.full(6, 4e-3), np.full(6, 0.01))
    return twin.as_found(motion, line, Air())


def test_a_set_up_without_errors_sees_what_is_there():
    throw = _small()
    assert throw.peak == pytest.approx(0.1)
    trial = twin.watched(throw, BenchPlan(views=(PlannedView(rate=20e3),)), None, (0.05, 0.0))
    markers, (camera,) = trial.markers, trial.cameras
    assert markers.time[0] == pytest.approx(0.05) and markers.position.shape[1] == 12
    true = throw.places(markers.time, markers.station)
    off = markers.position - true
    assert np.nanstd(off) == pytest.approx(0.3e-3, rel=0.1)
    # 0.35 m in view, at the end its middle: 0.175 m down at 49 m/s, 37 degrees off the vertical,
    # take 4.5 ms or 90 frames, and the tip was slower and flew flatter before
    assert 85 < camera.frame.size < 100
    noisy = twin.watched(throw, BenchPlan(), 5, (0.05, 0.0)).cameras[0]
    assert abs(camera.clock.offset - noisy.clock.offset) < 1e-9
    assert not np.array_equal(noisy.frame, camera.frame)  # its true clock is not as stated


def thrown_so_far(folder):
    """What `campaign` leaves of three throws of line a, two of b and one that failed."""
    folder.mkdir()
    speeds = (("a", 300.0), ("a", 310.0), ("a", 305.0), ("b", 280.0), ("b", 288.0))
    throws = [
        CampaignThrow(f"t{k}", line, answers={"peak_tip_speed": Answer(speed, "m s-1", 2.0)})
        for k, (line, speed) in enumerate(speeds)
    ]
    campaign_files.write_table(folder, [*throws, CampaignThrow("t5", "b", state="failed")])


def test_the_next_throw_is_read_from_the_table_that_a_campaign_wrote(tmp_path):
    thrown_so_far(tmp_path / "campaign")
    found = plan_command._next(tmp_path / "campaign", "peak_tip_speed")
    assert found.line == "b" and found.counts == {"a": 3, "b": 2}
    # (300, 310, 305) and (280, 288) have variances 25 and 32, pooled (2 x 25 + 32) / 3
    assert found.now == pytest.approx(np.sqrt(82 / 3 * (1 / 3 + 1 / 2)))
    assert found.by_instruments == pytest.approx(4.0 / (82 / 3))


@pytest.mark.parametrize(
    ("folder", "question", "words"),
    [
        ("nowhere", "peak_tip_speed", "run `lashwave campaign`"),
        ("campaign", "hand_work", "no throw of it answers hand_work"),
    ],
)
def test_a_campaign_that_does_not_answer_is_one_line(tmp_path, capsys, folder, question, words):
    thrown_so_far(tmp_path / "campaign")
    asked = written(tmp_path, PLAN.replace("peak_tip_speed", question))
    args = ["plan", str(asked), "--out", str(tmp_path / "out")]
    assert main([*args, "--campaign", str(tmp_path / folder)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and words in said
    assert not (tmp_path / "out").exists()


def test_a_plan_is_told_written_and_goes_on_where_it_was(tmp_path, capsys, monkeypatch):
    from lashwave.study import plan

    asked = []

    def foretold(trial, places, draws=120):
        # the factor of a whole throw takes minutes here; `tests/estimate/test_foreseen.py` has it
        asked.append(trial)
        sd = 2.0 + len(trial.cameras) - 1e4 * float(trial.markers.sd[0, 0])
        return {"peak_tip_speed": Answer(300.0, "m s-1", sd), "hand_work": Answer(40.0, "J", 1.0)}

    monkeypatch.setattr(twin, "expected", lambda seed, markers: _small())
    monkeypatch.setattr(plan, "foretold", foretold)
    thrown_so_far(tmp_path / "campaign")
    args = ["plan", str(written(tmp_path)), "--out", str(tmp_path / "out"), "--quiet"]
    assert main([*args, "--campaign", str(tmp_path / "campaign")]) == 0
    said = capsys.readouterr().out
    assert "Throw b next" in said and "Best for peak_tip_speed" in said
    record = json.loads((tmp_path / "out" / "plan.json").read_text())
    assert {o["name"] for o in record["offers"]} == {"plain", "two views", "fine markers"}
    assert record["between"] == pytest.approx(15.0)
    assert "<svg" in (tmp_path / "out" / "plan.html").read_text()
    assert len(asked) == 3
    assert main(args) == 0
    assert len(asked) == 3
    # the first set-up's markers weigh on the throw that all set-ups see
    written(tmp_path, PLAN.replace("price = 20\n", 'price = 20\nmarkers = {mass = "0.5 g"}\n'))
    assert main(args) == 0
    assert len(asked) == 6
    (tmp_path / "out" / "foretold.json").write_text("[1]")
    assert main(args) == 0
    assert len(asked) == 9
