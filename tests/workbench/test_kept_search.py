"""Finds that were kept are made again after any change to what they depend on."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import lashwave
from lashwave.pipeline.locate import program_hash

SOURCE = Path(lashwave.__file__).parent
DEPENDS = ("calibrate", "files", "instruments", "labels", "mechanics", "pipeline", "points",
           "quantities")  # fmt: skip


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    for room in (*DEPENDS, "report"):
        shutil.copytree(
            SOURCE / room, tmp_path / room, ignore=lambda _, n: [x for x in n if x[-3:] == "pyc"]
        )
    return tmp_path


def test_the_hash_is_that_of_the_sources_alone(copy: Path) -> None:
    assert program_hash(copy) == program_hash(SOURCE)
    (copy / "report" / "text.py").write_text("# other words\n")
    assert program_hash(copy) == program_hash(SOURCE)


@pytest.mark.parametrize("room", DEPENDS)
def test_a_change_in_a_room_is_seen(copy: Path, room: str) -> None:
    file = sorted((copy / room).rglob("*.py"))[-1]
    file.write_text(file.read_text() + "\n# changed\n")
    assert program_hash(copy) != program_hash(SOURCE)
    file.unlink()
    assert program_hash(copy) != program_hash(SOURCE)
