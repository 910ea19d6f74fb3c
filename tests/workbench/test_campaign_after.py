"""What follows a campaign: a second pass, and `rank`, `predict`, `parameters` on its folder."""

import csv
import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from distributed import LocalCluster
from pyarrow import parquet

from lashwave.files import read_campaign, read_campaign_table
from lashwave.files.write_trial import write_trial
from lashwave.quantities import InputError
from lashwave.study import learn
from lashwave.workbench import (
    campaign_command as campaign,
    campaign_learn,
    campaign_run as running,
)
from lashwave.workbench.cli import main
from tests.workbench.campaign_work import in_form, learning, make_trials, usable
from tests.workbench.conftest import swing
from tests.workbench.test_study import keep_cross


def rows_of(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def campaigned(tmp_path_factory):
    """Three throws of one line, a tenth of a second each; their campaign, in which one failed."""
    root, trial = tmp_path_factory.mktemp("campaign"), swing()
    short = replace(
        trial.markers, time=trial.markers.time[:51], position=trial.markers.position[:51],
        sd=trial.markers.sd[:51],
    )  # fmt: skip
    for i in range(3):
        moved = replace(short, position=short.position + 1e-4 * i)
        one = replace(trial, name=f"throw-{i}", markers=moved, cameras=())
        write_trial(root / "throws" / f"t{i}", one)
    (root / "throws" / "t9").mkdir()
    (root / "throws" / "t9" / "trial.toml").write_text("unusable\n", encoding="utf-8")
    how = running.How(workers=1, work=in_form, check=usable)
    record = campaign.carried_out(root / "throws", root / "done", how)
    assert (record["done"], record["failed"]) == (3, 1), record["ranked"]
    return root / "throws", root / "done"


@pytest.fixture
def done(campaigned):
    return campaigned[1]


@pytest.fixture
def throws(campaigned):
    return campaigned[0]


def test_rank_takes_the_finished_throws_of_a_campaign(done, tmp_path, capsys):
    out = tmp_path / "models"
    assert main(["rank", str(done), "--out", str(out), "--quiet"]) == 0
    said = capsys.readouterr().out
    assert "stacking weight" in said and "of 3" in said
    table = rows_of(out / "throws.csv")
    assert table[0]["model"] == "whole" and float(table[0]["log_score_less_first"]) == 0.0
    assert sum(float(row["stacking_weight"]) for row in table) == pytest.approx(1.0)
    assert all(float(row["standard_error"]) >= 0.0 for row in table)
    assert {row["trial"] for row in rows_of(out / "forecasts.csv")} == {
        "throw-0", "throw-1", "throw-2",
    }  # fmt: skip


def test_predict_writes_a_table_over_the_throws(done, tmp_path, capsys):
    out = tmp_path / "predicted"
    assert main(["predict", str(done), "--out", str(out), "--draws", "4"]) == 0
    said = capsys.readouterr().out
    assert "3 throws predicted" in said and "tip's peak [m/s]" in said
    table = rows_of(out / "throws.csv")
    assert [row["trial"] for row in table] == ["t0", "t1", "t2"]
    for row in table:
        one = json.loads((out / row["trial"] / "summary.json").read_text(encoding="utf-8"))
        assert float(row["span [s]"]) == one["span_s"] == pytest.approx(0.1)
        assert float(row["peak_tip_predicted [m/s]"]) == one["peak_tip_speed"]["predicted"]
        assert float(row["low95 [m/s]"]) <= float(row["high95 [m/s]"])


def test_parameters_takes_the_finished_throws_of_a_campaign(done, throws, tmp_path, monkeypatch):
    out = tmp_path / "law"
    for i in range(3):
        keep_cross(throws / f"t{i}", out, [0.1 * i, 0.0, -0.1, 0.3], monkeypatch)
    assert main(["parameters", str(done), "--out", str(out)]) == 0
    record = json.loads((out / "parameters.json").read_text(encoding="utf-8"))
    assert record["trials"] == ["throw-0", "throw-1", "throw-2"]


def test_answers_in_their_true_form_come_from_a_cluster(campaigned, tmp_path):
    """Motion and answers are NetCDF: xarray must not ask the cluster for a lock to write them."""
    throws, done = campaigned
    some = {"dashboard_address": None, "memory_limit": 0, "silence_logs": 50}
    with LocalCluster(n_workers=1, threads_per_worker=1, **some) as cluster:
        how = running.How(1, cluster.scheduler_address, work=in_form, check=usable)
        record = campaign.carried_out(throws, tmp_path / "wire", how)
    assert (record["done"], record["failed"]) == (3, 1), record["ranked"]
    by_wire, here = (read_campaign_table(out) for out in (tmp_path / "wire", done))
    pd.testing.assert_frame_equal(by_wire, here, check_exact=True)


def test_a_campaign_without_a_finished_throw_is_one_line(tmp_path, capsys):
    (tmp_path / "done").mkdir()
    (tmp_path / "done" / "campaign.json").write_text('{"ranked": []}', encoding="utf-8")
    for command in ("rank", "predict", "parameters"):
        assert main([command, str(tmp_path / "done"), "--out", str(tmp_path / "x")]) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1 and "no finished throw" in said
    assert not (tmp_path / "x").exists()


def test_a_damaged_record_or_table_of_a_campaign_is_one_line(tmp_path, capsys):
    (tmp_path / "campaign.json").write_text("[" * 100_000, encoding="utf-8")
    assert main(["rank", str(tmp_path), "--out", str(tmp_path / "x")]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    # a column's description lacks its type, which the library meets with a KeyError
    said = b'{"columns": [{"name": "trial"}], "index_columns": [], "column_indexes": []}'
    table = pa.table({"trial": ["t1"]}).replace_schema_metadata({b"pandas": said})
    parquet.write_table(table, tmp_path / "campaign.parquet")
    with pytest.raises(InputError, match="cannot be read"):
        read_campaign_table(tmp_path)


def test_a_second_pass_knows_what_the_others_say_and_counts_it_once(tmp_path):
    make_trials(tmp_path / "throws", 3, 0.0)
    how = running.How(workers=1, work=learning, check=usable)
    campaign.carried_out(tmp_path / "throws", tmp_path / "out", how)
    assert (tmp_path / "out" / "shared.json").is_file()
    record = campaign.second_pass(tmp_path / "throws", tmp_path / "out", how)
    assert record["done"] == 3
    listed = read_campaign(tmp_path / "throws")
    found = learn(running.Campaign(listed, tmp_path / "out", how, list).standing())
    first, second = (read_campaign_table(tmp_path / p) for p in ("out", "out/second"))
    assert list(first["peak_tip_speed [m s-1]"]) == [300.0] * 3
    for one, speed, sd in zip(
        found.found.beside, second["peak_tip_speed [m s-1]"], second["peak_tip_speed_sd [m s-1]"],
        strict=True,
    ):  # fmt: skip
        assert speed == pytest.approx(300.0 + one.mean[0], abs=1e-12)
        assert sd == pytest.approx(10.0 * one.covariance[0, 0] ** 0.5)
    # Put together again, what the others say would be taken for what each throw's sightings say.
    assert not list((tmp_path / "out" / "second").glob("shared*"))
    log = (tmp_path / "out" / "second" / "log.jsonl").read_text()
    campaign.second_pass(tmp_path / "throws", tmp_path / "out", how)
    assert (tmp_path / "out" / "second" / "log.jsonl").read_text() == log  # nothing is repeated


def test_a_second_pass_is_done_anew_where_the_others_say_something_else(tmp_path):
    make_trials(tmp_path, 3, 0.0)
    how = running.How(workers=1, work=learning, check=usable)
    table, speeds = tmp_path / "session.csv", []
    for names in (("t000", "t001"), ("t000", "t001", "t002")):
        table.write_text("\n".join(["trial", *names, ""]))
        campaign.carried_out(table, tmp_path / "out", how)
        campaign.second_pass(table, tmp_path / "out", how)
        found = read_campaign_table(tmp_path / "out/second").set_index("trial")
        speeds.append(found["peak_tip_speed [m s-1]"])
    assert (speeds[0] != speeds[1][["t000", "t001"]]).all()


def test_what_is_written_of_shared_parameters_holds_the_chains_own_error(tmp_path):
    make_trials(tmp_path / "throws", 3, 0.0)
    how = running.How(workers=1, work=learning, check=usable)
    campaign.carried_out(tmp_path / "throws", tmp_path / "out", how)
    throws = running.Campaign(read_campaign(tmp_path / "throws"), tmp_path / "out", how, list)
    found = replace(learn(throws.standing()), model_sd=np.array([0.04]))
    told = campaign_learn.record_of(found)["parameters"]["drag_normal"]["specimens"]["lash C"]
    own = found.found.specimens["lash C"].covariance[0, 0]
    assert told["sd"] == pytest.approx((own + 0.04**2) ** 0.5)
    scores = np.array([[0.0, 1.0, 4.0], [1.0, np.nan, 3.0], [0.0, 3.0, 6.0], [0.0, 5.0, 2.0]])
    said = campaign_learn.held_out(SimpleNamespace(scores=scores))
    assert said["one_other_throw"] == {
        "gain": 3.0, "standard_error": pytest.approx(2.0 / 3**0.5), "throws": 3,
    }  # fmt: skip
    assert said["all_other_throws"]["gain"] == 3.5
