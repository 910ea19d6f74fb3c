"""A small bench for the fault commands: a throw that is quick to fit, its sound, its answers."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import numpy as np

from lashwave.files.swap import is_part
from lashwave.files.wav import write_wav
from lashwave.workbench import bench_command
from tests.workbench.small_throw import small_throw

SOUND = """
[[microphones]]
file = "mic.wav"
position = [1.0, 0.0, 1.0]
clock = { offset = "0 s", offset_sd = "1 ms" }
"""


@dataclass(frozen=True)
class Bench:
    """Folders that a fault command works in."""

    root: Path
    trial: Path
    answers: Path
    """Whole, and never written to."""


def command(*words: object) -> list[str]:
    """The real command as a list of words."""
    return [sys.executable, "-m", "lashwave.workbench.cli", *map(str, words)]


def run(*words: object, seconds: float = 600) -> subprocess.CompletedProcess[str]:
    """Run the real command to its end."""
    return subprocess.run(command(*words), capture_output=True, text=True, timeout=seconds)


def made(root: Path) -> Bench:
    """The bench in a folder; what stands there already is used again."""
    bench = Bench(root, root / "made" / "trial", root / "trial.answers")
    if not bench.trial.exists():
        bench_command.write(root / "made", *small_throw())
        random = np.random.default_rng(1)
        heard = 1e-3 * random.standard_normal(20_000)
        heard[12_000:12_040] += 0.5 * np.exp(-np.arange(40) / 8.0)
        write_wav(bench.trial / "mic.wav", heard, 100_000, 16)
        with (bench.trial / "trial.toml").open("a") as stream:
            stream.write(SOUND)
    if not bench.answers.exists():
        done = run("reconstruct", bench.trial, "--out", bench.answers)
        assert done.returncode == 0, done.stderr
    return bench


def hashes(folder: Path) -> dict[str, str]:
    """Hash of every file below a folder, what is half-written left out."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder)
        if path.is_file() and not any(is_part(part) for part in name.parts):
            found[name.as_posix()] = sha256(path.read_bytes()).hexdigest()
    return found


def leftover(*folders: Path) -> int:
    """Bytes of what is half-written in, and right beside, folders."""
    total = 0
    for folder in folders:
        for path in folder.rglob("*") if folder.is_dir() else ():
            if path.is_file() and any(is_part(p) for p in path.relative_to(folder).parts):
                total += path.stat().st_size
    return total


def emptied(folder: Path) -> None:
    """Remove a folder and all in it."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.unlink(missing_ok=True) if os.path.lexists(folder) else None
