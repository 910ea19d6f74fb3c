"""The worked changes of CONTRIBUTING.md, made in a copy of the project, do what the page says."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.test_docs import ROOT, blocks

PAGE = (ROOT / "CONTRIBUTING.md").read_text(encoding="utf-8")
READER = "tests/files/test_npz_markers.py"
ANSWER = "tests/answers/test_supersonic_span.py"
ONE_STATE = (
    "from tests.mechanics.test_one_law import test_drag_is_one as law;"
    "law.hypothesis.inner_test(seed=1, links=3, mach=1.2, bend=0.5)"
)
"""The simulator's, accounts' and estimate's drag against plain formulas, in one state."""


def change(heading: str) -> dict[str, list[str]]:
    """The hunks of the change under a heading, by file."""
    (part,) = re.findall(rf"^### {heading}\n(.*?)(?=^##|\Z)", PAGE, flags=re.M | re.S)
    (block,) = blocks(part, "diff")
    files = re.split(r"^--- (.+)\n@@\n", block, flags=re.M)[1:]
    return {name: text.split("@@\n") for name, text in zip(files[::2], files[1::2], strict=True)}


def made(text: str, hunk: str) -> str:
    """A file's text with one hunk made; its lines that stay or go stand there once."""
    lines = [line or " " for line in hunk.splitlines()]
    before = "".join(f"{line[1:]}\n" for line in lines if line[0] != "+")
    after = "".join(f"{line[1:]}\n" for line in lines if line[0] != "-")
    if not before and not text:
        return after
    assert text.count(before) == 1, f"{text.count(before)} times in the file:\n{before}"
    return text.replace(before, after)


def apply(folder: Path, files: dict[str, list[str]]) -> None:
    for name, hunks in files.items():
        path = folder / name
        text = path.read_text(encoding="utf-8") if path.exists() else ""
        for hunk in hunks:
            text = made(text, hunk)
        path.write_text(text, encoding="utf-8")


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of what is changed and run: sources, tests, docs."""
    unwanted = shutil.ignore_patterns("__pycache__", "pages", "_build")
    for name in ("src", "tests", "docs"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=unwanted)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, tmp_path / name)
    return tmp_path


def assert_lint_is_content(folder: Path, files: dict[str, list[str]]) -> None:
    for words in (["check"], ["format", "--check"]):
        names = [name for name in files if name.endswith(".py")]
        linted = run(folder, "-m", "ruff", *words, "--no-cache", *names)
        assert linted.returncode == 0, linted.stdout


def run(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Python in the copy. Kernels run uncompiled: a state or two do not pay for compiling."""
    path = os.pathsep.join([str(folder / "src"), str(folder)])
    return subprocess.run(
        [sys.executable, *words],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": path, "NUMBA_DISABLE_JIT": "1"},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    "heading, most", [("Change the drag law", 2), ("Add a reader", 2), ("Add an answer", 3)]
)
def test_a_worked_change_touches_few_files(heading: str, most: int) -> None:
    files = [name for name in change(heading) if not name.startswith(("tests/", "docs/"))]
    assert 0 < len(files) <= most


def test_the_drag_law_is_changed_for_all_that_compute_with_it(copy: Path) -> None:
    files = change("Change the drag law")
    (law,) = [name for name in files if name.startswith("src/")]
    apply(copy, {law: files[law]})
    alone = run(copy, "-c", ONE_STATE)
    assert alone.returncode == 1 and "AssertionError" in alone.stderr, alone.stderr
    apply(copy, {name: hunks for name, hunks in files.items() if name != law})
    both = run(copy, "-c", ONE_STATE)
    assert both.returncode == 0, both.stderr
    assert_lint_is_content(copy, files)


def test_a_reader_is_added(copy: Path) -> None:
    files = change("Add a reader")
    apply(copy, files)
    assert_lint_is_content(copy, files)
    tested = run(copy, "-m", "pytest", "-p", "no:cacheprovider", READER)
    assert tested.returncode == 0, tested.stdout


def test_an_answer_is_added(copy: Path) -> None:
    files = change("Add an answer")
    apply(copy, files)
    assert_lint_is_content(copy, files)
    written = run(copy, "docs/write_register.py")
    assert written.returncode == 0, written.stderr
    assert "| `supersonic_span` | s |" in (copy / "docs/answers.md").read_text(encoding="utf-8")
    tested = run(copy, "-m", "pytest", "-p", "no:cacheprovider", ANSWER)
    assert tested.returncode == 0, tested.stdout


def test_make_commands_are_listed() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = re.findall(r"^([a-z]+):", makefile, flags=re.MULTILINE)
    listed = re.findall(r"^\| `make ([a-z]+)` \|", PAGE, flags=re.MULTILINE)
    assert sorted([*listed, "demo", "help"]) == sorted(targets)
