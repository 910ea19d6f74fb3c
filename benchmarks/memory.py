"""How much memory `check` takes for a long marker file, and how fast one is read or refused.

    python benchmarks/memory.py [--minutes 10] [--keep]

60 markers at 500 Hz as C3D of real numbers: 288 MB in ten minutes. The same check of one second
tells what the program takes for itself.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import figures
from benchmarks.fault_bench import command
from benchmarks.figures import Figure
from tests.files.c3d_writer import write_c3d

MARKERS, RATE, LENGTH = 60, 500.0, 3.0
PARTS = 100_000
SAMPLES = 30_000
"""Of the file whose reading is timed."""
FILE = "markers.c3d"


def written(folder: Path, seconds: float) -> int:
    """A trial of a line that turns slowly; the size of its marker file [bytes]."""
    labels = [f"M{i + 1:02d}" for i in range(MARKERS)]
    station = np.linspace(0.0, LENGTH, MARKERS)
    turn = 0.5 * np.sin(np.arange(round(seconds * RATE)) / RATE)
    position = np.zeros((turn.size, MARKERS, 3), dtype=np.float32)
    position[..., 1] = 500.0
    position[..., 0] = 1e3 * np.sin(turn)[:, None] * station
    position[..., 2] = -1e3 * np.cos(turn)[:, None] * station
    folder.mkdir()
    write_c3d(folder / FILE, position, labels, RATE, long_parameter=True)
    (folder / "line.csv").write_text(
        "station [m],diameter [mm],linear_density [g/m]\n0,8,40\n3,3,6\n", encoding="utf-8"
    )
    rows = "".join(f'{label} = "{s:.6f} m"\n' for label, s in zip(labels, station, strict=True))
    (folder / "trial.toml").write_text(
        'schema = 1\n[trial]\nname = "long"\n[line]\ntable = "line.csv"\n'
        f'[markers]\nfile = "{FILE}"\nsd = "0.3 mm"\n[markers.stations]\n{rows}',
        encoding="utf-8",
    )
    return (folder / FILE).stat().st_size


def check(folder: Path) -> tuple[int, str, float]:
    """Status, what is said, and the most memory [MB] of the real command."""
    ask = subprocess.Popen(
        command("check", folder), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    said = ask.stdout.read() if ask.stdout else ""
    _, status, used = _waited(ask.pid)
    return status, said, used.ru_maxrss / 1024


def _waited(pid: int) -> tuple[int, int, resource.struct_rusage]:
    pid, status, used = os.wait4(pid, 0)
    return pid, os.waitstatus_to_exitcode(status), used


def refused(folder: Path) -> float:
    """Seconds until a key of many parts is refused, but for the program's start."""
    from lashwave.files import parse_toml
    from lashwave.quantities import InputError

    folder.mkdir()
    text = ".".join(["a"] * PARTS) + " = 1\n"
    begin = time.process_time()
    try:
        parse_toml(text.encode(), "trial.toml")
    except InputError:
        return time.process_time() - begin
    raise SystemExit("a key of many parts is taken")


def read_time(folder: Path) -> float:
    """CPU seconds in which 30,000 samples of 60 markers are read; the median of nine times."""
    from lashwave.files.c3d import read_c3d

    written(folder, SAMPLES / RATE)
    spent = []
    for _ in range(9):
        begin = time.process_time()
        read_c3d(folder / FILE, FILE)
        spent.append(time.process_time() - begin)
    return float(np.median(spent))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="lashwave-memory-") as name:
        place = Path(name)
        # In processes of their own: what this one has held would count as the command's.
        with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
            size = pool.submit(written, place / "long", 60.0 * given.minutes).result() / 1e6
            pool.submit(written, place / "short", 1.0).result()
        used = {}
        for one in ("short", "long"):
            status, said, peak = check(place / one)
            used[one] = peak * 1.048576
            print(f"{one}: status {status}, {used[one]:.0f} MB\n{said[:300]}")
            if status:
                return 1
        seconds, reading = refused(place / "key"), read_time(place / "read")
    own, whole = (used["long"] - used["short"]) / size, used["long"] / size
    print(f"{size:.0f} MB of markers: {own:.2f} times that over a short trial, {whole:.2f} in all; "
          f"a key of {PARTS} parts is refused in {seconds:.2f} s; {SAMPLES} x {MARKERS} are read "
          f"in {reading:.3f} s")  # fmt: skip
    if given.keep:
        rows = [
            Figure(f"memory of check over a short trial's, of {size:.0f} MB of markers [1]",
                   figures.MACHINE, 1, own, None, "2", own <= 2.0),
            Figure("the same, the program itself counted [1]", figures.MACHINE, 1, whole, None,
                   "2", whole <= 2.0),
            Figure(f"time in which a key of {PARTS} parts is refused [s]", figures.MACHINE, 1,
                   seconds, None, "1", seconds <= 1.0),
            Figure(f"CPU time in which {SAMPLES} x {MARKERS} of a C3D file are read [s]",
                   figures.MACHINE, 9, reading, None, "0.05", reading <= 0.05),
        ]  # fmt: skip
        figures.save("memory", "Memory for a long record", rows, [])
    return 0


if __name__ == "__main__":
    sys.exit(main())
