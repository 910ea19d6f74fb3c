"""Search throws for the first seeds and print the table of `lashwave/twin/chosen.py`.

Usage: python benchmarks/choose_throws.py FIRST LAST
"""

from __future__ import annotations

import sys

from lashwave.mechanics.simulate import SimulationError
from lashwave.twin import throws


def main() -> None:
    for seed in range(int(sys.argv[1]), int(sys.argv[2])):
        try:
            scene = throws.draw_throw(seed)
        except SimulationError as problem:
            print(f"    # {problem}", flush=True)
            continue
        found = throws.try_out(scene)  # over its whole record
        attempt, tempo = scene.choice or (0, 1.0)
        print(
            f"    {seed}: ({attempt}, {tempo:g}, {found.time:.4f}),"
            f"  # Mach {found.mach:.2f}, fold {1e3 * found.radius:.0f} mm",
            flush=True,
        )


if __name__ == "__main__":
    main()
