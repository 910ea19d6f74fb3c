"""Kept kernels: a folder for each state of what a file's kernels can take in."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from lashwave.mechanics import compiling

FILES = {
    "mechanics/law.py": "from lashwave.quantities import Array\nFACTOR = 2.0\n",
    "mechanics/step.py": "from lashwave.mechanics.law import (\n    FACTOR,  # of the law\n)\n",
    "mechanics/aside.py": "OTHER = 1\n",
    "mechanics/__init__.pyi": "from .law import FACTOR as FACTOR\nfrom .aside import OTHER\n",
    "estimate/rows.py": "def late():\n    from lashwave.mechanics import FACTOR\n",
    "estimate/whole.py": "from lashwave.estimate import rows\n",
    "quantities/arrays.py": "Array = object\n",
    "quantities/errors.py": "class Fault(Exception): ...\n",
    "quantities/__init__.pyi": "from .arrays import Array as Array\nfrom .errors import Fault\n",
}


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    for name, text in FILES.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text)
    forget()
    return tmp_path


def forget() -> None:
    """As a new process would: what was read of the sources is read again."""
    for kept in (compiling._imported, compiling._door, compiling.kept_apart):
        kept.cache_clear()


def folder(house: Path, name: str) -> Path:
    forget()
    found = compiling.kept_apart(house / name, house)
    assert found is not None and found.is_dir()
    return found


def test_sources_are_followed_through_doors_and_into_functions(house):
    def names(of: str) -> set[str]:
        return {str(p.relative_to(house)) for p in compiling.sources(house / of, house)}

    law = {"mechanics/law.py", "quantities/arrays.py"}
    assert names("mechanics/step.py") == {"mechanics/step.py", *law}
    assert names("estimate/rows.py") == {"estimate/rows.py", *law}
    assert names("estimate/whole.py") == {"estimate/whole.py", "estimate/rows.py", *law}


@pytest.mark.parametrize("changed", ["mechanics/law.py", "quantities/arrays.py"])
@pytest.mark.parametrize("kernels", ["mechanics/law.py", "mechanics/step.py", "estimate/whole.py"])
def test_what_a_kernel_takes_in_begins_a_new_folder_and_sweeps_the_old(house, changed, kernels):
    before = folder(house, kernels)
    assert folder(house, kernels) == before
    (house / changed).write_text((house / changed).read_text() + "MORE = 3.0\n")
    after = folder(house, kernels)
    assert after != before and not before.exists()


@pytest.mark.parametrize("changed", ["mechanics/aside.py", "quantities/errors.py"])
def test_what_it_does_not_take_in_leaves_its_kernels(house, changed):
    before = {name: folder(house, name) for name in ("mechanics/step.py", "estimate/whole.py")}
    (house / changed).write_text("OTHER = 2\n")
    assert {name: folder(house, name) for name in before} == before


def test_a_name_of_unknown_origin_counts_the_whole_room(house):
    (house / "estimate" / "odd.py").write_text("from lashwave.mechanics import UNKNOWN\n")
    forget()
    taken = compiling.sources(house / "estimate" / "odd.py", house)
    assert house / "mechanics" / "aside.py" in taken
    (house / "estimate" / "odd.py").write_text("import lashwave.mechanics.law\n")
    forget()
    taken = compiling.sources(house / "estimate" / "odd.py", house)
    assert house / "quantities" / "errors.py" in taken


def test_a_moved_module_begins_a_new_folder(house):
    before = compiling.state_of(house / "estimate" / "whole.py", house)
    (house / "mechanics" / "law.py").rename(house / "mechanics" / "laws.py")
    stub = house / "mechanics" / "__init__.pyi"
    stub.write_text(stub.read_text().replace(".law ", ".laws "))
    forget()
    assert compiling.state_of(house / "estimate" / "whole.py", house) != before


def test_a_folder_that_the_user_names_is_left_to_numba(house, monkeypatch):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(house / "own"))
    forget()
    assert compiling.kept_apart(house / "mechanics" / "law.py", house) is None


def test_kernels_of_a_new_process_are_kept_there():
    code = (
        "import numba; before = numba.config.CACHE_DIR;"
        "from lashwave.mechanics import triples as t; print(t.dot._cache.cache_path);"
        "assert numba.config.CACHE_DIR == before"
    )
    alone = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=alone)
    assert done.returncode == 0, done.stderr
    place = Path(done.stdout.strip())
    assert place.parent.name.startswith("kernels-mechanics.triples-")
