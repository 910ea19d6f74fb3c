"""What the documents say is so: commands, targets, code, versions, limits."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tomllib
from contextlib import redirect_stdout
from functools import cache
from io import StringIO
from pathlib import Path

import pytest

from lashwave import __version__
from lashwave.workbench import cli

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = [
    *(ROOT / name for name in ("README.md", "CHANGELOG.md", "CONTRIBUTING.md")),
    *sorted((ROOT / "docs").glob("*.md")),
]
COMMANDS = (
    "check", "reconstruct", "deposit", "parameters", "compare", "predict", "rank", "fall",
    "campaign", "law", "sensitivity", "design", "plan", "locate", "calibrate", "simulate", "demo",
    "assemble", "open", "completion",
)  # fmt: skip


def blocks(text: str, language: str) -> list[str]:
    """The fenced blocks of one language."""
    return re.findall(rf"```{language}\n(.*?)```", text, flags=re.DOTALL)


def shell_lines() -> list[str]:
    """Every command line that a page shows."""
    return [
        line
        for page in PAGES
        for block in blocks(page.read_text(encoding="utf-8"), "sh")
        for line in block.splitlines()
        if line.strip()
    ]


@cache
def help_of(*command: str) -> str:
    """What a command says of itself."""
    said = StringIO()
    with redirect_stdout(said):
        assert cli.main([*command, "--help"]) == 0
    return said.getvalue()


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_has_help_and_is_documented(command: str) -> None:
    assert f"lashwave {command}" in help_of(command)
    first_hour = (ROOT / "docs" / "first-hour.md").read_text(encoding="utf-8")
    assert f"\n`{command}`\n: " in first_hour


def test_no_command_is_left_out() -> None:
    shown = re.findall(r"^  ([a-z]+) ", help_of(), flags=re.MULTILINE)
    assert set(shown) == set(COMMANDS)


@pytest.mark.parametrize("line", sorted(set(shell_lines())))
def test_a_shell_line_is_true(line: str) -> None:
    program, *words = shlex.split(line)
    if program in {"cp", "export"}:
        return
    if program == "make":
        makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
        assert all(re.search(rf"^{word}:", makefile, flags=re.MULTILINE) for word in words)
        return
    assert program == "lashwave"
    shown = help_of(words[0])
    for word in words[1:]:
        if word.startswith("--") or word in {"TRIAL", "OUT"}:
            assert word in shown, word


@pytest.mark.parametrize("option", sorted(set(re.findall(r"`(--[a-z-]+)`", "".join(
    page.read_text(encoding="utf-8") for page in PAGES)))))  # fmt: skip
def test_an_option_that_a_page_names_exists(option: str) -> None:
    assert option == "--help" or any(option in help_of(command) for command in COMMANDS)


def test_the_python_of_the_readme_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from lashwave.files.results import write_results
    from tests.report import invented

    trial = invented.trial()
    fit = invented.fit(trial, times=60, stations=12)
    (tmp_path / "out").mkdir()
    answers = invented.answers(fit)
    report = {"report.html": b"<html></html>", "report.pdf": b"%PDF-"}
    write_results(tmp_path / "out" / "demo.answers", fit, answers, None, report, trial, {})
    monkeypatch.chdir(tmp_path)
    (code,) = blocks(README, "python")
    exec(compile(code, "README.md", "exec"), {})
    top = (fit.velocity[:, -1] ** 2).sum(axis=-1) ** 0.5
    when = fit.time[top.argmax()]
    assert capsys.readouterr().out == f"{top.max():.0f} m/s at {when:.4f} s\n"
    for name in re.findall(r"^\| `([a-z]+\.[a-z]+)` \|", README, flags=re.MULTILINE):
        assert (tmp_path / "out" / "demo.answers" / name).exists(), name


def test_the_trial_file_of_the_documents_can_be_read(tmp_path: Path) -> None:
    """The shortest trial.toml that docs/trial-folder.md shows is enough."""
    from lashwave.files.trial_folder import read_trial

    (text,) = blocks((ROOT / "docs" / "trial-folder.md").read_text(encoding="utf-8"), "toml")
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    (tmp_path / "line.csv").write_text(
        "station [m],diameter [mm],linear_density [g/m]\n0,8,50\n2,1,2\n", encoding="utf-8"
    )
    rows = ["time [s],marker,x [m],y [m],z [m]"]
    for k in range(40):
        rows += [f"{k / 500},M01,0.05,0,1", f"{k / 500},M02,0.15,0,1"]
    (tmp_path / "markers.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    trial = read_trial(tmp_path)
    assert trial.name == "bench-07"
    assert trial.markers.labels == ("M01", "M02")
    assert trial.markers.sd[0, 0] == pytest.approx(3e-4)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_within_the_project_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#:\s]+)\)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_pages_need_no_private_words(page: Path) -> None:
    """Words that had a meaning of their own in this house; the glossary has the few that stay."""
    text = page.read_text(encoding="utf-8")
    assert re.findall(r"\b(?:told|doubt|doubts|doubted|calm|calmer|born|wary)\b", text) == []


def test_the_glossary_is_in_order_and_of_words_in_use() -> None:
    """Each part goes from a to z, and every word is used on another page."""
    glossary = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
    others = [page.read_text(encoding="utf-8") for page in PAGES if page.stem != "glossary"]
    text = " ".join(others).lower()
    for part in glossary.split("\n## ")[1:]:
        entries = re.findall(r"^(.+)\n: ", part, flags=re.MULTILINE)
        assert entries == sorted(entries), part.split("\n")[0]
        words = [word.strip() for entry in entries for word in entry.split(",")]
        assert [word for word in words if word not in text] == []


def test_versions_agree() -> None:
    citation = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    (day,) = re.findall(r"^date-released: ([0-9-]+)$", citation, flags=re.MULTILINE)
    assert f"version: {__version__}\n" in citation
    assert f"## {__version__} ({day})" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


def test_the_lock_holds_what_the_program_needs() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    wanted = [*project["dependencies"], *extras["test"], *extras["docs"]]
    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    locked = {line.split("==")[0].lower() for line in lock.splitlines()}
    names = {re.split(r"[<>=\[ ;]", text)[0].lower().replace("_", "-") for text in wanted}
    assert names - locked == set()


def test_no_file_names_a_registry() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    address = re.compile(r"https?://[^\s\"']*(pypi|pythonhosted|npmjs|/simple\b)")
    for name in listed.stdout.splitlines():
        path = ROOT / name
        if path.is_file() and path != Path(__file__):
            text = path.read_text(encoding="utf-8", errors="ignore")
            assert address.search(text) is None, name


def test_figures_are_as_the_benchmarks_kept_them() -> None:
    """docs/figures.md and the README's table are written by a command, never by hand."""
    script = ROOT / "benchmarks" / "figures.py"
    checked = subprocess.run(
        [sys.executable, str(script), "--check"], capture_output=True, text=True, check=False
    )
    assert checked.returncode == 0, checked.stdout + checked.stderr


def test_the_readme_shows_a_dozen_figures_at_most() -> None:
    """A table that can be read, each row with what it is held against."""
    shown = README.split("<!-- figures: begin -->")[1].split("<!-- figures: end -->")[0]
    rows = [row for row in shown.splitlines() if row.startswith("|")][2:]
    assert 0 < len(rows) <= 12
    for row in rows:
        assert row.split("|")[2].strip(), row
