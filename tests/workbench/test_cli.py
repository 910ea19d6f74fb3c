"""Exit status and one line for every fault; nothing of the user's is ever touched."""

import inspect
import json
import os
import signal
import subprocess
import sys
import time
from hashlib import sha256

import pytest

import lashwave.estimate
from lashwave.quantities.errors import NotConvergedError
from lashwave.workbench import command_list
from lashwave.workbench.cli import main

COMMANDS = (
    "check", "reconstruct", "deposit", "parameters", "compare", "predict", "rank", "fall",
    "locate", "calibrate", "simulate", "demo", "assemble", "open", "completion",
)  # fmt: skip
ANSWERS = {
    "motion.nc", "samples.nc", "answers.nc", "sightings.nc", "summary.json",
    "report.html", "report.pdf",
}  # fmt: skip


def contents(folder):
    """Every file below a folder, by the hash of what it holds."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {str(path): sha256(path.read_bytes()).hexdigest() for path in files}


def one_line(capsys):
    """What was said on standard error, which must be one line; standard output must be empty."""
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1 and said.err.endswith("\n"), said.err
    return said.err


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(command, capsys):
    assert main([command, "--help"]) == 0
    said = capsys.readouterr().out
    assert "Usage: lashwave " + command in said and "--" in said


@pytest.mark.parametrize("columns", ["40", "80", "200"])
def test_the_list_of_commands_says_what_each_does(columns, capsys, monkeypatch):
    from lashwave.workbench.commands import app

    monkeypatch.setenv("COLUMNS", columns)
    assert main(["--help"]) == 0
    said = capsys.readouterr().out
    assert max(map(len, said.splitlines())) <= 100
    listed = " ".join(said.split())
    known = {name for name in app if not name.startswith("-")}
    assert known == set(command_list.COMMANDS) and known >= set(COMMANDS)
    for name in known:
        first = inspect.getdoc(app[name].default_command).split("\n\n")[0]
        assert f"{name} {' '.join(first.split())}" in listed


@pytest.mark.parametrize("command", COMMANDS)
def test_help_names_what_can_be_typed_and_nothing_else(command, capsys):
    main([command, "--help"])
    said = capsys.readouterr().out
    assert "--empty" not in said and "--no-no" not in said and "--traceback" in said


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shells_are_told_the_commands(shell, capsys):
    assert main(["completion", shell]) == 0
    said = capsys.readouterr().out
    assert all(command in said for command in COMMANDS)


@pytest.mark.parametrize(
    "argv, told",
    [
        (["recontruct"], "recontruct"),
        (["check"], "TRIAL"),
        (["compare", "somewhere"], "compare needs --out: folder for the answers"),
        (["compare", "x", "--ouut", "y"], "there is no option --ouut; did you mean --out? see"),
        (["parameters", "x", "--ouut", "y"], "--ouut; did you mean --out? see lashwave parameters"),
        (["recontruct"], "there is no command 'recontruct'; did you mean reconstruct? see"),
        (["check", "somewhere", "--jsn"], "--jsn"),
        (["simulate", "x", "--kind", "crack"], "crack"),
        (["simulate", "x", "--seed", "many"], "many"),
        (["simulate", "x", "--ghosts", "2"], "--ghosts"),
        (["simulate", "x", "--missing", "nan"], "--missing"),
        (["simulate", "x", "--seed", "-1"], "--seed"),
        (["check", "no/such/trial"], "no/such/trial"),
        (["reconstruct", "no\x1b[31m\n/trial", "--out", "x"], "/trial"),
    ],
)
def test_a_usage_error_is_one_line_and_status_2(argv, told, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(argv) == 2
    said = one_line(capsys)
    assert told in said and "\x1b" not in said
    assert list(tmp_path.iterdir()) == []


def test_reconstruct_writes_every_answer_and_leaves_the_trial_alone(
    quick, folder, tmp_path, capsys
):
    before = contents(folder)
    assert main(["reconstruct", str(folder), "--out", str(tmp_path / "new" / "answers")]) == 0
    said = capsys.readouterr()
    assert said.err == ""  # no progress where nobody looks
    assert "peak_tip_speed_100us" in said.out and "Warning: a stand-in made this" in said.out
    assert {p.name for p in (tmp_path / "new" / "answers").iterdir()} == ANSWERS
    assert contents(folder) == before


def test_json_holds_the_answers_of_the_summary(quick, folder, tmp_path, capsys):
    out = tmp_path / "answers"
    assert main(["reconstruct", str(folder), "--out", str(out), "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    written = json.loads((out / "summary.json").read_text())
    assert printed["quantities"] == written["quantities"]
    assert printed["warnings"] == written["warnings"]
    assert printed["warnings"][0] == "a stand-in made this"
    assert "fastest at an end of the record" in printed["warnings"][1]  # so it is, at time 0
    # The stand-in's tip turns at pi / 0.6 s on a radius of 2 m.
    assert printed["quantities"]["peak_tip_speed"]["value"] == pytest.approx(10.47, rel=0.01)


def test_an_earlier_answer_is_replaced_as_a_whole(quick, folder, tmp_path):
    out = tmp_path / "answers"
    assert main(["reconstruct", str(folder), "--out", str(out)]) == 0
    (out / "report.html").write_text("old")
    assert main(["reconstruct", str(folder), "--out", str(out)]) == 0
    assert (out / "report.html").read_text() != "old"
    assert {p.name for p in tmp_path.iterdir()} == {"trial", "answers"}


@pytest.mark.parametrize(
    "where, told",
    [
        ("inside", "inside the trial"),
        ("same", "inside the trial"),
        ("above", "holds the trial"),
        ("full", "holds no earlier answer"),
        ("beside", "'notes.txt' beside an earlier answer"),
        ("file", "is a file"),
        ("below", "is a file"),
    ],
)
def test_a_folder_of_the_users_is_refused(where, told, quick, folder, tmp_path, capsys):
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "notes.txt").write_text("do not lose")
    out = {
        "inside": folder / "answers",
        "same": folder,
        "above": tmp_path,
        "full": mine,
        "beside": mine,
        "file": mine / "notes.txt",
        "below": mine / "notes.txt" / "answers",
    }[where]
    if where == "beside":  # an earlier answer, and something else beside it
        record = {"schema": 1, "trial": "x", "quantities": {}}
        (mine / "summary.json").write_text(json.dumps(record))
    before = contents(tmp_path)
    assert main(["reconstruct", str(folder), "--out", str(out)]) == 2
    said = one_line(capsys)
    assert said.startswith("--out: ") and told in said
    assert contents(tmp_path) == before


def test_a_link_into_the_trial_does_not_help(quick, folder, tmp_path, capsys):
    (tmp_path / "link").symlink_to(folder)
    assert main(["reconstruct", str(folder), "--out", str(tmp_path / "link" / "x")]) == 2
    assert "inside the trial" in one_line(capsys)


def fails(kind):
    def estimate(trial, options, progress):
        raise kind

    return estimate


@pytest.mark.parametrize(
    "kind, told",
    [
        (KeyboardInterrupt(), "stopped"),
        (NotConvergedError("the cost still creeps"), "the cost still creeps"),
        (ZeroDivisionError("two\nlines"), "--traceback"),
        (MemoryError(), "memory"),
        (OSError(28, "No space left on device"), "the disk is full"),
    ],
)
def test_what_fails_within_is_one_line_and_status_1(kind, told, quick, folder, tmp_path, capsys):
    quick.setattr(lashwave.estimate, "estimate", fails(kind))
    assert main(["reconstruct", str(folder), "--out", str(tmp_path / "answers")]) == 1
    assert told in one_line(capsys)
    assert [p.name for p in tmp_path.iterdir()] == ["trial"]


def test_a_developer_may_see_the_traceback(quick, folder, tmp_path, capsys):
    quick.setattr(lashwave.estimate, "estimate", fails(ZeroDivisionError("x")))
    argv = ["--traceback", "reconstruct", str(folder), "--out", str(tmp_path / "answers")]
    assert main(argv) == 1
    assert "Traceback" in capsys.readouterr().err


def test_an_unusable_trial_is_refused_before_any_work(quick, folder, tmp_path, capsys):
    text = (folder / "markers.csv").read_text().splitlines()
    few = [row for row in text if ",M" not in row or ",M01," in row]
    (folder / "markers.csv").write_text("\n".join(few) + "\n")
    assert main(["reconstruct", str(folder), "--out", str(tmp_path / "answers")]) == 2
    assert "markers" in one_line(capsys)
    assert not (tmp_path / "answers").exists()


HEAVY = {
    "xarray", "matplotlib", "pandas", "pint", "numba", "llvmlite", "scipy", "ezc3d", "cv2", "av",
    "tifffile", "tomlkit", "h5netcdf",
}  # fmt: skip


@pytest.mark.parametrize(("words", "heavy"), [("--help", {*HEAVY, "numpy"}), ("check", HEAVY)])
def test_nothing_heavy_is_imported(words, heavy, folder):
    code = (
        "import sys; from lashwave.workbench.cli import main; status = main(sys.argv[1:]); "
        f"heavy = sorted({heavy} & set(sys.modules)); sys.exit(str(heavy) if heavy else status)"
    )
    asked = [words, *([str(folder)] if words == "check" else [])]
    done = subprocess.run(
        [sys.executable, "-c", code, *asked], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "camera tip-view" in done.stdout or words == "--help"


SLOW = """
import signal, sys, time, lashwave.estimate
# a shell that started the tests in the background had them ignore it
signal.signal(signal.SIGINT, signal.default_int_handler)
def estimate(trial, options, progress):
    print("started", flush=True)
    time.sleep(60)
lashwave.estimate.Options = dict
lashwave.estimate.estimate = estimate
from lashwave.workbench.cli import main
sys.exit(main(sys.argv[1:]))
"""


def test_ctrl_c_leaves_one_line_and_no_answer(folder, tmp_path):
    argv = [sys.executable, "-c", SLOW, "reconstruct", str(folder), "--out", str(tmp_path / "out")]
    process = subprocess.Popen(argv, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "started\n"
    begin = time.monotonic()
    os.kill(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=20)
    assert process.returncode == 1 and time.monotonic() - begin < 5
    assert said == "lashwave: stopped; no answer was written\n"
    assert [p.name for p in tmp_path.iterdir()] == ["trial"]
