"""Runs of the real command for `make faults`, each in a process that may be killed.

Most are forked from a process that has the libraries and kernels already, since nothing is written
before these are there; every tenth is an interpreter of its own.
"""

from __future__ import annotations

import importlib
import json
import multiprocessing
import os
import time
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from pathlib import Path

from benchmarks.fault_bench import command

CONTEXT = multiprocessing.get_context("fork")
LIMIT = 600.0
"""No run takes longer, however busy the machine is [s]."""


@dataclass(frozen=True)
class Ended:
    """How a run ended."""

    status: int
    said: str
    """On standard error."""
    seconds: float

    @property
    def fault(self) -> str | None:
        """What is wrong with how it failed: nothing but one line may be said."""
        lines = [row for row in self.said.splitlines() if row.strip()]
        if "Traceback" in self.said:
            return f"traceback: {lines[-1][:200]}"
        if self.status not in (0, 1, 2):
            return f"status {self.status}: {self.said[-200:]}"
        if self.status and len(lines) != 1:
            return f"{len(lines)} lines: {self.said[:200]!r}"
        return None


def begun(words: list[str], said: Path, *, fresh: bool = False) -> BaseProcess:
    """Start the command; what it says on standard error goes to a file."""
    process = CONTEXT.Process(target=_go, args=(words, str(said), fresh))
    process.start()
    return process


def _go(words: list[str], said: str, fresh: bool) -> None:
    null = os.open(os.devnull, os.O_RDWR)
    to = os.open(said, os.O_CREAT | os.O_TRUNC | os.O_WRONLY)
    os.dup2(null, 0), os.dup2(null, 1), os.dup2(to, 2)
    if fresh:
        line = command(*words)
        os.execv(line[0], line)
    from lashwave.workbench.cli import main

    status = main(words)
    os._exit(status)


def ended(process: BaseProcess, said: Path, begin: float) -> Ended:
    """Wait for a run; one over the limit is killed and has status -9."""
    process.join(LIMIT)
    if process.is_alive():
        process.kill()
        process.join()
    text = said.read_text("utf-8", "replace")
    return Ended(int(process.exitcode or 0), text, time.monotonic() - begin)


def whole(words: list[str], said: Path) -> Ended:
    """Run the command to its end."""
    begin = time.monotonic()
    return ended(begun(words, said), said, begin)


def warmed() -> None:
    """Load the libraries that forked runs then have. No fit is run here: kernels that run on
    several threads end a process that was forked after they ran.
    """
    for name in ("commands", "compare_command", "parameters_command", "deposit_command"):
        importlib.import_module(f"lashwave.workbench.{name}")
    for name in ("estimate.fusion", "answers.all", "pipeline.locate", "pipeline.reconstruct",
                 "report.page", "files.read_answers", "study.repeatability", "study.scales",
                 "report.parameters_page", "report.compare_page"):  # fmt: skip
        importlib.import_module(f"lashwave.{name}")


def half(folder: Path, names: set[str]) -> str | None:
    """What is missing or cut of a folder of answers that should hold these names."""
    found = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    missing = sorted(names - found)
    if missing:
        return f"{missing[0]} is missing"
    for name in sorted(names & found):
        path = folder / name
        content = path.read_bytes()
        ends = {".pdf": b"%%EOF", ".html": b"</html>", ".svg": b"</svg>"}.get(path.suffix, b"")
        if not content or not content.rstrip().endswith(ends):
            return f"{name} is cut"
        if path.suffix in (".csv", ".toml") and not content.endswith(b"\n"):
            return f"{name} is cut"
        if path.suffix == ".json":
            try:
                json.loads(content)
            except ValueError:
                return f"{name} is cut"
        if path.suffix == ".nc":
            from lashwave.files.checked_netcdf import netcdf

            try:
                with netcdf(path) as opened:
                    opened.load()
            except Exception as fault:
                return f"{name}: {fault}"
    return None
