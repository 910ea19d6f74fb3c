"""The ensemble behind the design law: throws computed on all cores, into one table.

Run: python benchmarks/throws.py OUT.csv [COUNT] [PROCESSES] [SEED]

A run that was stopped goes on where it was. With a COUNT such as 30x10 every one of 30 lines is
thrown by every one of 10 hands.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from lashwave.files import ThrowTable
from lashwave.study import ensemble
from lashwave.workbench.throws_at_hand import COLUMNS, UNITS

if __name__ == "__main__":
    path, count = Path(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "10000"
    processes = int(sys.argv[3]) if len(sys.argv) > 3 else None
    seed = int(sys.argv[4]) if len(sys.argv) > 4 else 0
    if "x" in count:
        inputs = ensemble.crossed(*map(int, count.split("x")), seed)[0]
    else:
        inputs = ensemble.draw(int(count), seed)
    table = ThrowTable(path, COLUMNS, UNITS)
    todo = [n for n in range(len(inputs)) if n not in table.done]
    began, told, done = time.monotonic(), 0.0, 0
    for lot in ensemble.rows(inputs, todo, processes=processes):
        table.add(lot)
        done += len(lot)
        if time.monotonic() - told > 10:
            told = time.monotonic()
            print(f"{done} of {len(todo)}, {told - began:.0f} s", flush=True)
    print(f"{done} throws in {time.monotonic() - began:.1f} s; {len(table.done)} in {path}")
