"""`campaign`: killed at any moment it loses nothing and repeats nothing; its table and its page."""

import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from itertools import count
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import polars
import pyarrow.parquet
import pytest
from distributed import LocalCluster

from lashwave.files import (
    ANSWER_FILES,
    DiskFullError,
    campaign_place as at,
    read_campaign,
    read_campaign_table,
)
from lashwave.files.summaries import read_summary
from lashwave.pipeline import silent
from lashwave.quantities.errors import InputError
from lashwave.study import CampaignThrow, crew
from lashwave.workbench import campaign_command as campaign, campaign_run as running
from lashwave.workbench.deposit_campaign import packed_campaign
from tests.workbench.campaign_work import die, full, make_trials, quick, unwritable, usable

ROOT = Path(__file__).parents[2]
RUN = """
import sys
from pathlib import Path
if __name__ == "__main__":
    from lashwave.workbench import campaign_command as campaign, campaign_run as running
    from tests.workbench.campaign_work import quick, usable
    how = running.How(workers=3, work=quick, check=usable)
    campaign.carried_out(Path(sys.argv[1]), Path(sys.argv[2]), how)
"""


def how(**more):
    return running.How(**{"workers": 2, "work": quick, "check": usable, **more})


def repeated(out):
    """Throws that were begun after they were done."""
    done, again = set(), []
    for line in at.read_log(out):
        if line["event"] == "done":
            done.add((line["trial"], line["key"]))
        elif line["event"] == "started" and (line["trial"], line["key"]) in done:
            again.append(line["trial"])
    return again


def gone(pids, patience=20.0):
    """Whether processes end, those that nobody has waited for yet counted as ended."""
    until = time.monotonic() + patience
    while time.monotonic() < until:
        states = [Path(f"/proc/{pid}/stat") for pid in pids]
        if not any(
            s.exists() and s.read_text().rsplit(")", 1)[1].split()[0] != "Z" for s in states
        ):
            return True
        time.sleep(0.05)
    return False


def test_kills_at_random_moments_lose_nothing_and_repeat_nothing(tmp_path):
    make_trials(tmp_path / "throws", 24, 0.05)
    script = tmp_path / "run.py"
    script.write_text(RUN)
    out = tmp_path / "out"
    paths = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "src"), str(ROOT)])}
    command = [sys.executable, str(script), str(tmp_path / "throws"), str(out)]
    moments = random.Random(3)
    for _ in range(3):
        one = subprocess.Popen(command, env=paths)
        while not (out / at.LOG).exists() and one.poll() is None:
            time.sleep(0.05)
        time.sleep(moments.uniform(0.1, 1.2))
        one.send_signal(signal.SIGKILL)
        one.wait()
        workers = {line["pid"] for line in at.read_log(out)}
        assert gone(workers), "workers outlive the campaign that was killed"
        for place in (out / at.THROWS).glob("t*"):  # what stands there is whole
            mark = at.read_mark(place)
            assert mark is not None and mark.state == at.DONE
            assert (place / at.ANSWERS / "summary.json").is_file()
    subprocess.run(command, env=paths, check=True)
    table = pd.read_parquet(out / "campaign.parquet")
    assert list(table["trial"]) == [f"t{i:03d}" for i in range(24)]
    assert set(table["state"]) == {"done"}
    assert repeated(out) == []
    checked = [line["trial"] for line in at.read_log(out) if line["event"] == "checked"]
    assert sorted(checked) == list(table["trial"])  # each once, however often it was killed
    events = Counter(line["event"] for line in at.read_log(out))
    assert events["started"] >= 24 >= events["done"] >= 20
    for name, speed in zip(table["trial"], table["peak_tip_speed [m s-1]"], strict=True):
        again = tmp_path / f"again-{name}"
        quick(tmp_path / "throws" / name, again)
        assert speed == read_summary(again).answers["peak_tip_speed"].value


def test_a_failure_is_kept_and_tried_again_on_demand(tmp_path):
    make_trials(tmp_path / "throws", 6, 0.0)
    with (tmp_path / "throws" / "t002" / "trial.toml").open("a") as file:
        file.write("fails\n")
    with (tmp_path / "throws" / "t004" / "trial.toml").open("a") as file:
        file.write("unusable\n")
    out = tmp_path / "out"
    record = campaign.carried_out(tmp_path / "throws", out, how())
    assert (record["done"], record["failed"]) == (4, 2)
    assert [one["trial"] for one in record["ranked"][:2]] == ["t002", "t004"]
    assert record["ranked"][0]["because"] == "no motion was found"
    assert record["ranked"][1]["because"] == "line: has no length"
    begun = len(at.read_log(out))

    def run(given):
        return running.Campaign(read_campaign(tmp_path / "throws"), out, given, list).run(silent)

    run(how())
    assert len(at.read_log(out)) == begun  # neither done nor failed ones are begun again
    (tmp_path / "throws" / "mended").touch()
    throws = {t.trial: t for t in run(how(again=True))}
    assert [t.state for t in throws.values()].count("failed") == 1
    mark = at.read_mark(out / at.THROWS / "t002")
    assert mark.state == at.DONE and mark.earlier == ("no motion was found",)
    assert at.read_mark(out / at.THROWS / "t004").earlier == ("line: has no length",)
    table = read_campaign_table(out).set_index("trial")  # of the first run
    assert table.loc["t004", "reason"] == throws["t004"].reason == "line: has no length"
    assert np.isnan(table.loc["t004", "peak_tip_speed [m s-1]"])
    with (tmp_path / "throws" / "t000" / "trial.toml").open("a") as file:
        file.write("# another line\n")  # other inputs: this throw alone is done anew
    run(how())
    late = [line for line in at.read_log(out)[begun:] if line["event"] == "started"]
    assert [line["trial"] for line in late] == ["t002", "t000"]


def test_what_is_gone_or_was_mended_is_done_anew_and_nothing_else(tmp_path):
    make_trials(tmp_path / "throws", 3, 0.0)
    out = tmp_path / "out"
    campaign.carried_out(tmp_path / "throws", out, how())
    begun = len(at.read_log(out))
    shutil.rmtree(out / at.THROWS / "t001" / at.ANSWERS)
    (tmp_path / "throws" / "t002.mends.toml").write_text("# a point is left out\n")
    assert campaign.carried_out(tmp_path / "throws", out, how())["done"] == 3
    late = [line["trial"] for line in at.read_log(out)[begun:] if line["event"] == "started"]
    assert sorted(late) == ["t001", "t002"]


def test_a_throw_whose_facts_cannot_be_written_fails_alone(tmp_path):
    make_trials(tmp_path / "throws", 4, 0.0)
    record = campaign.carried_out(tmp_path / "throws", tmp_path / "out", how(work=unwritable))
    assert (record["done"], record["failed"]) == (3, 1)
    assert "ValueError" in record["ranked"][0]["because"]


def test_a_full_disk_stops_the_campaign_and_is_no_throws_fault(tmp_path):
    make_trials(tmp_path / "throws", 4, 0.0)
    with pytest.raises(DiskFullError):
        campaign.carried_out(tmp_path / "throws", tmp_path / "out", how(work=full, workers=1))
    marks = [at.read_mark(place) for place in sorted((tmp_path / "out" / at.THROWS).glob("t*"))]
    assert [mark.state for mark in marks] == [at.DONE] * 2
    assert not list((tmp_path / "out" / at.THROWS).glob("t002"))


def test_another_question_is_asked_of_every_throw_anew(tmp_path):
    make_trials(tmp_path / "throws", 2, 0.0)
    for work in (quick, unwritable):
        campaign.carried_out(tmp_path / "throws", tmp_path / "out", how(work=work, workers=1))
    log = at.read_log(tmp_path / "out")
    assert [line["trial"] for line in log if line["event"] == "started"] == ["t000", "t001"] * 2


@pytest.mark.parametrize(
    ("took", "left"), [(10.0, "25 s"), (200.0, "8 min"), (3600.0, "2.5 h"), (None, "")]
)
def test_the_time_left_follows_from_what_throws_took_and_how_many_run_at_once(took, left):
    run = running.Campaign((), Path(), how(workers=2), list)
    states = [*["done"] * 2, "failed", *["waiting"] * 5]
    run.throws = {
        str(i): CampaignThrow(str(i), "", "", None, state=s) for i, s in enumerate(states)
    }
    run.seconds = [0.8 * took, 1.2 * took] if took else []
    said = []
    run._say(lambda text, share: said.append((text, share)))
    text = f"3 of 8 throws, 1 failed, {left} left" if left else "3 of 8 throws, 1 failed"
    assert said == [(text, 3 / 8)]


def test_the_table_fills_while_throws_finish(tmp_path, monkeypatch):
    make_trials(tmp_path / "throws", 3, 0.0)
    clock = SimpleNamespace(monotonic=count(0.0, 2.0).__next__)
    monkeypatch.setattr(running, "time", clock)  # two seconds go by at every look
    seen = []

    def changed(throws):
        seen.append([t.state for t in throws].count("done"))

    listed = read_campaign(tmp_path / "throws")
    running.Campaign(listed, tmp_path / "out", how(workers=1), changed).run(silent)
    assert seen == [2]


def test_a_table_names_trials_and_their_conditions(tmp_path):
    make_trials(tmp_path / "throws", 3, 0.0)
    table = tmp_path / "session.csv"
    table.write_text(
        "trial,specimen,room [degC],humid,hand\n"
        "throws/t002,lash A,21.5,0.4,left\nthrows/t000,,20,,right\n"
    )
    found = campaign.table(table, tmp_path / "out", workers=1, work=quick, check=usable)
    assert list(found["trial"]) == ["throws-t002", "throws-t000"]
    assert list(found["specimen"]) == ["lash A", "lash C"]  # what trial.toml says, where blank
    assert list(found["room [K]"]) == [294.65, 293.15]
    assert list(found["hand"]) == ["left", "right"]
    assert found["humid"].dtype == "float64" and np.isnan(found["humid"][1])
    theirs = polars.read_parquet(tmp_path / "out" / "campaign.parquet")
    assert theirs["room [K]"].to_list() == [294.65, 293.15]
    assert theirs["peak_tip_speed [m s-1]"].to_list() == list(found["peak_tip_speed [m s-1]"])
    fields = pyarrow.parquet.read_schema(tmp_path / "out" / "campaign.parquet")
    assert fields.field("peak_tip_speed_sd [m s-1]").metadata[b"unit"] == b"m s-1"
    text = pd.read_csv(tmp_path / "out" / "campaign.csv")
    assert list(text.columns) == list(found.columns)
    assert list(text["peak_tip_mach_high95"]) == list(found["peak_tip_mach_high95"])
    with pytest.raises(InputError, match="is missing"):  # the stand-in writes none
        packed_campaign(tmp_path / "out", tmp_path / "all.zip", inputs=True)
    assert not (tmp_path / "all.zip").exists()
    for place in (tmp_path / "out" / "throws").glob("*/answers"):
        for name in ANSWER_FILES - {"summary.json", "report.html"}:
            (place / name).write_text("stands for it")
    names = packed_campaign(tmp_path / "out", tmp_path / "all.zip", inputs=True)
    assert {"campaign.parquet", "README.md", "files.sha256", "throws/throws-t000/answers/motion.nc",
            "throws/throws-t002/inputs/trial.toml"} <= set(names)  # fmt: skip
    assert not any("lock" in name or "log" in name for name in names)
    page = (tmp_path / "out" / "campaign.html").read_text(encoding="utf-8")
    assert '<a href="throws/throws-t002/answers/report.html">throws-t002</a>' in page
    assert "<script" not in page and "src=" not in page


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("folder\nthrows/t000\n", "line 1, trial: the heading is folder; add the column"),
        ("trial\nthrows/t9\n", "line 2, trial: 'throws/t9' is no folder"),
        ("trial\nthrows/t000\nthrows/t000\n", "have one name"),
        ("trial,room [degX]\nthrows/t000,1\n", "[degX] is not a known unit"),
        ("trial,room [m]\nthrows/t000,warm\n", "line 2, room [m]: 'warm' is not a finite"),
        ("trial,a\nthrows/t000\n", "line 2, row: has 1 fields, the heading 2"),
        ("trial\n", "holds no rows"),
    ],
)
def test_a_bad_table_is_one_line(tmp_path, text, said):
    make_trials(tmp_path / "throws", 1)
    (tmp_path / "session.csv").write_text(text)
    with pytest.raises(InputError) as problem:
        campaign.carried_out(tmp_path / "session.csv", tmp_path / "out", how())
    assert said in str(problem.value)
    assert not (tmp_path / "out").exists()


def test_a_cluster_that_loses_workers_gives_the_same_table(tmp_path):
    """Two workers, one of them killed twice while it works; inputs and answers go by the wire."""
    make_trials(tmp_path / "throws", 8, 0.3)
    some = {"dashboard_address": None, "memory_limit": 0, "silence_logs": 50}
    with LocalCluster(n_workers=2, threads_per_worker=1, **some) as cluster:

        def kill():
            for _ in range(2):
                time.sleep(1.0)
                worker = next(iter(cluster.workers.values()))
                if worker.pid:
                    os.kill(worker.pid, signal.SIGKILL)

        killer = threading.Thread(target=kill)
        killer.start()
        by_wire = campaign.table(
            tmp_path / "throws", tmp_path / "wire", work=quick, check=usable, workers=1,
            scheduler=cluster.scheduler_address,
        )  # fmt: skip
        killer.join()
    here = campaign.table(tmp_path / "throws", tmp_path / "here", work=quick, check=usable)
    assert set(by_wire["state"]) == {"done"}
    pd.testing.assert_frame_equal(by_wire, here, check_exact=True)
    one, other = (tmp_path / out / "throws/t003/answers/report.html" for out in ("wire", "here"))
    assert one.read_bytes() == other.read_bytes()


def test_a_finished_campaign_asks_for_no_process_and_no_scheduler(tmp_path, monkeypatch):
    make_trials(tmp_path / "throws", 2, 0.0)
    with (tmp_path / "throws" / "t001" / "trial.toml").open("a") as file:
        file.write("fails\n")
    campaign.carried_out(tmp_path / "throws", tmp_path / "out", how())
    monkeypatch.setattr(crew, "ProcessPoolExecutor", None)
    for scheduler in (None, "tcp://127.0.0.1:9"):
        record = campaign.carried_out(
            tmp_path / "throws", tmp_path / "out", how(scheduler=scheduler)
        )
        assert (record["done"], record["failed"]) == (1, 1)


def test_no_scheduler_is_one_line(tmp_path, monkeypatch):
    make_trials(tmp_path / "throws", 1, 0.0)
    monkeypatch.setattr(crew, "PATIENCE", 1)
    with pytest.raises(InputError, match="no Dask scheduler answers"):
        campaign.carried_out(
            tmp_path / "throws", tmp_path / "out", how(scheduler="tcp://127.0.0.1:9")
        )


def test_two_campaigns_in_one_folder_do_not_mix(tmp_path):
    make_trials(tmp_path / "throws", 1, 0.0)
    (tmp_path / "out").mkdir()
    with running._alone(tmp_path / "out"), pytest.raises(InputError, match="another campaign"):
        campaign.carried_out(tmp_path / "throws", tmp_path / "out", how())


def test_a_job_that_ends_its_process_takes_no_other_with_it(tmp_path):
    names = ("heavy", "light", "unlucky", "once", "later")
    ends = {e.name: e for e in crew.local(die, {n: (n, tmp_path) for n in names}, 2)}
    assert set(ends) == set(names)
    assert "want of memory" in ends["heavy"].lost
    assert [ends[n].result for n in names[1:]] == list(names[1:])
    assert 1 <= len(list(tmp_path.glob("heavy-*"))) <= crew.LOSSES + 1
