"""Kept kernels: a folder for each state of the sources."""

import subprocess
import sys
from pathlib import Path

import pytest

from lashwave.mechanics import compiling


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    for room in compiling.ROOMS:
        (tmp_path / room).mkdir()
        (tmp_path / room / "law.py").write_text("FACTOR = 2.0\n")
    return tmp_path


@pytest.mark.parametrize("room", compiling.ROOMS)
def test_a_change_in_any_room_begins_a_new_folder_and_sweeps_the_old(house, room):
    before = compiling.kept_apart(house)
    assert before is not None and before.is_dir()
    assert compiling.kept_apart(house) == before
    (house / room / "law.py").write_text("FACTOR = 3.0\n")
    after = compiling.kept_apart(house)
    assert after is not None and after != before
    assert after.is_dir() and not before.exists()


def test_a_moved_module_begins_a_new_folder(house):
    before = compiling.state_of(house)
    (house / "mechanics" / "law.py").rename(house / "mechanics" / "laws.py")
    assert compiling.state_of(house) != before


def test_a_folder_that_the_user_names_is_left_to_numba(house, monkeypatch):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(house / "own"))
    assert compiling.kept_apart(house) is None


def test_kernels_of_a_new_process_are_kept_there(house, monkeypatch):
    code = (
        "import numba; from lashwave.mechanics import compiling; print(numba.config.CACHE_DIR);"
        "print(compiling.kept_apart(compiling.HOUSE))"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    numbas, own = said.stdout.split()
    assert numbas == own and Path(own).name.startswith("kernels-")
