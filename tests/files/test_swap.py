"""What a killed writer left goes, what a living one writes stays, and nothing is half there."""

from __future__ import annotations

import errno
import subprocess
import sys
from pathlib import Path

import pytest

from lashwave.files import disk_room, swap
from lashwave.files.disk_room import DiskFullError
from lashwave.files.folders import check_answer_folder, check_new_file, check_new_folder

KILLED = """
import os, signal, sys
from pathlib import Path
from lashwave.files.swap import replace_folder

def fill(folder):
    (folder / "big").write_bytes(b"x" * 2_000_000)
    if sys.argv[2] == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    print("writing", flush=True)
    sys.stdin.read()

replace_folder(Path(sys.argv[1]), fill)
"""


def parts(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if swap.is_part(p.name)]


def test_what_a_killed_writer_left_is_swept(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-c", KILLED, tmp_path / "out", "kill"], check=False)
    assert len(parts(tmp_path)) == 1
    swap.replace_folder(tmp_path / "out", lambda folder: None)
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_what_another_process_writes_stays(tmp_path: Path) -> None:
    call = [sys.executable, "-c", KILLED, tmp_path / "out", "wait"]
    with subprocess.Popen(call, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as busy:
        assert busy.stdout is not None and busy.stdout.readline() == "writing\n"
        swap.sweep(tmp_path)
        assert len(parts(tmp_path)) == 1
        busy.communicate("")
    assert busy.returncode == 0 and (tmp_path / "out" / "big").stat().st_size == 2_000_000


def test_an_earlier_answer_that_was_moved_away_comes_back(tmp_path: Path) -> None:
    old = tmp_path / ".out.abcdefgh.old"
    old.mkdir()
    (old / "answer").write_text("good")
    swap.sweep(tmp_path, "out")
    assert (tmp_path / "out" / "answer").read_text() == "good"


def test_others_are_kept_and_foreign_files_are_not_swept(tmp_path: Path) -> None:
    out = tmp_path / "out"
    (out / "kept").mkdir(parents=True)
    (out / "kept" / "a").write_text("a")
    (tmp_path / ".mine.part").write_text("the user's")
    swap.write_files(out, {"new": b"1", "kept/b": b"2"}, others=True)
    assert sorted(p.name for p in out.rglob("*")) == ["a", "b", "kept", "new"]
    assert (tmp_path / ".mine.part").exists()


def test_a_half_written_part_does_not_make_a_command_refuse_its_folder(tmp_path: Path) -> None:
    for name in (".writing-abcdefgh", ".new.abcdefgh.part"):
        (tmp_path / "out" / name).mkdir(parents=True)
    check_new_folder(tmp_path / "out", known=frozenset(), option="--out")


def test_no_room_is_said_before_anything_is_written(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(disk_room, "free_bytes", lambda path: 1_000_000)
    with pytest.raises(DiskFullError, match=r"3\.1 MB needed, 1\.0 MB free"):
        swap.write_files(tmp_path / "out", {"a": b"x" * 2_000_000})
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_said_before_a_long_run(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(disk_room, "free_bytes", lambda path: 1_500_000)
    for check in (
        lambda: check_new_folder(tmp_path / "out", known=frozenset(), option="--out"),
        lambda: check_answer_folder(tmp_path / "out"),
        lambda: check_new_file(tmp_path / "out.zip", apart=()),
    ):
        with pytest.raises(DiskFullError, match=r"is full: 2\.1 MB needed, 1\.5 MB free"):
            check()
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_fills_on_the_way_leaves_what_was(tmp_path: Path) -> None:
    out = tmp_path / "out"
    swap.write_files(out, {"answer": b"good"})

    def fill(folder: Path) -> None:
        (folder / "half").write_text("half")
        raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(DiskFullError, match="is full"):
        swap.replace_folder(out, fill)
    assert [p.name for p in tmp_path.rglob("*")] == ["out", "answer"]


def test_a_file_system_without_locks_is_written_all_the_same(tmp_path: Path, monkeypatch) -> None:
    def refuse(handle: int, how: int) -> None:
        raise OSError(errno.ENOLCK, "no locks available")

    monkeypatch.setattr(swap.fcntl, "flock", refuse)
    swap.write_files(tmp_path / "out", {"a": b"1"})
    swap.replace_file(tmp_path / "out" / "b", lambda path: path.write_bytes(b"2"))
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["a", "b"]
