"""Figures of the benchmarks: kept as they were measured, and written into the docs from there.

    python benchmarks/figures.py            writes docs/figures.md and the table in README.md
    python benchmarks/figures.py --check    says whether both are as the kept figures give them

A benchmark hands what it measured to `save`, which adds the command, the commit, the date and the
machine, and keeps it in benchmarks/results. Nobody writes a figure by hand; a test runs --check.
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import platform
import shlex
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
KEPT = ROOT / "benchmarks" / "results"
PAGE, README = ROOT / "docs" / "figures.md", ROOT / "README.md"
BEGIN, END = "<!-- figures: begin -->", "<!-- figures: end -->"

TWIN = "the project's own twin"
ENGINE = "an engine that shares no code"
REAL = "real data"
MACHINE = "this machine"


@dataclass(frozen=True)
class Figure:
    """One measured quantity."""

    what: str
    """In words, with the unit in brackets."""
    truth: str
    """What it is held against: TWIN, ENGINE, REAL or MACHINE."""
    count: int
    median: float | None
    worst: float | None = None
    goal: str = ""
    met: bool | None = None
    """None where no goal is set."""
    holds: str = ""
    """Intervals that hold the truth, of how many, and the band where that is chance."""
    spread: float | None = None
    """Standard deviation of the truths themselves, for an error of a parameter."""
    beside: str = ""
    """What plain practice gives."""


@dataclass(frozen=True)
class Results:
    """What one run of a benchmark gave."""

    name: str
    title: str
    command: str
    commit: str
    date: str
    machine: str
    figures: tuple[Figure, ...]
    notes: tuple[str, ...] = ()


def commit() -> str:
    """The commit that is measured; BENCH_COMMIT names it where there is no repository."""
    given = os.environ.get("BENCH_COMMIT")
    if given:
        return given
    ask = ["git", "-C", str(ROOT), "describe", "--always", "--dirty", "--abbrev=8"]
    return subprocess.run(ask, capture_output=True, text=True, check=False).stdout.strip()


def machine() -> str:
    """Processor and cores."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        lines = info.read_text(encoding="utf-8").splitlines()
        names = [line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")]
        model = names[0] if names else model
    return f"{model}, {os.cpu_count()} cores"


def command() -> str:
    """The command line that is running, as it would be typed in the project's root."""
    words = [os.path.relpath(sys.argv[0], ROOT), *sys.argv[1:]]
    return "python " + shlex.join(words)


def save(
    name: str,
    title: str,
    figures: Sequence[Figure],
    notes: Sequence[str] = (),
    *,
    measured_at: tuple[str, str] | None = None,
    typed: str | None = None,
) -> None:
    """Keep a run's figures; the docs are written from them by `figures.py`.

    measured_at : commit and machine, where the trials were run elsewhere than they are summed up.
    typed : the command, where it is not the one that runs.
    """
    at = measured_at or (commit(), machine())
    today = datetime.date.today().isoformat()
    results = Results(
        name, title, typed or command(), at[0], today, at[1], tuple(figures), tuple(notes)
    )
    KEPT.mkdir(exist_ok=True)
    text = json.dumps(asdict(results), indent=1, ensure_ascii=False) + "\n"
    (KEPT / f"{name}.json").write_text(text, encoding="utf-8")


def load() -> list[Results]:
    """All kept results, in the order of their names."""
    found = []
    for path in sorted(KEPT.glob("*.json")):
        made = json.loads(path.read_text(encoding="utf-8"))
        rows = tuple(Figure(**row) for row in made.pop("figures"))
        found.append(Results(**made | {"figures": rows, "notes": tuple(made["notes"])}))
    return found


def number(value: float | None) -> str:
    """Three digits; nothing where there is no value."""
    if value is None:
        return ""
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def verdict(figure: Figure) -> str:
    return {True: "met", False: "**not met**", None: ""}[figure.met]


def page(results: Sequence[Results]) -> str:
    """docs/figures.md."""
    parts = [
        "# Figures\n",
        "Written by `python benchmarks/figures.py` from what the benchmarks kept in"
        " `benchmarks/results/`; not by hand. Medians and worst are of absolute errors unless the"
        " row says otherwise. *Truth* says what a figure is held against. A 95 % interval should"
        " hold the truth 95 times in a hundred; the band in square brackets holds 99.9 % of what"
        " chance alone gives.\n",
    ]
    for run in results:
        parts.append(f"## {run.title}\n")
        parts.append(f"`{run.command}` · commit `{run.commit}` · {run.date} · {run.machine}\n")
        rows = [
            "| figure | truth | n | median | worst | goal | | intervals that hold "
            "| spread of the truths | beside |",
            "|---" * 10 + "|",
        ]
        rows += [
            f"| {f.what} | {f.truth} | {f.count} | {number(f.median)} | {number(f.worst)} | "
            f"{f.goal} | {verdict(f)} | {f.holds} | {number(f.spread)} | {f.beside} |"
            for f in run.figures
        ]
        parts.append("\n".join(rows) + "\n")
        parts += [f"{note}\n" for note in run.notes]
    return "\n".join(parts)


# The rows of the README's table: the run and the figure of each; a dozen at most.
SHOWN: tuple[tuple[str, str], ...] = (
    ("engine-throw", "position where markers are seen, RMS [mm]"),
    ("engine-throw", "position where markers are lost, RMS [mm]"),
    ("engine-throw", "position lost within 10 ms of the peak, RMS [mm]"),
    ("engine-throw", "peak tip speed [%]"),
    ("engine-throw", "peak tip speed over 100 us [%]"),
    ("engine-throw", "time of the first sonic speed [ms]"),
    ("engine-throw", "work of the hand [%]"),
    ("twin-wide", "position where markers are lost, RMS [mm]"),
    ("twin-wide", "peak tip speed [%]"),
    ("planted", "planted errors that a test finds [%]"),
)


def table(results: Sequence[Results]) -> str:
    """The README's table."""
    runs = {run.name: run for run in results}
    rows = ["| figure | truth | n | median (worst) | goal | | intervals that hold |"]
    rows += ["|---" * 7 + "|"]
    for name, what in SHOWN:
        for figure in runs[name].figures if name in runs else ():
            if figure.what == what:
                worst = "" if figure.worst is None else f" ({number(figure.worst)})"
                rows.append(
                    f"| {what} | {figure.truth} | {figure.count} | {number(figure.median)}{worst} "
                    f"| {figure.goal} | {verdict(figure)} | {figure.holds} |"
                )
    return "\n".join(rows)


def into(text: str, rows: str) -> str:
    """A page with the table between its two marks replaced."""
    head, rest = text.split(BEGIN)
    return f"{head}{BEGIN}\n{rows}\n{END}{rest.split(END)[1]}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="only compare; 1 if they differ")
    results = load()
    readme = README.read_text(encoding="utf-8")
    wanted = {PAGE: page(results), README: into(readme, table(results))}
    if parser.parse_args().check:
        stale = [p for p, t in wanted.items() if not p.exists() or p.read_text("utf-8") != t]
        for path in stale:
            print(f"{path.relative_to(ROOT)} is not what benchmarks/results gives; run figures.py")
        sys.exit(bool(stale))
    for path, text in wanted.items():
        path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
