"""Search throws for some seeds and print the table of `lashwave/twin/chosen.py`.

python benchmarks/choose_throws.py 0 62
python benchmarks/choose_throws.py --wide 0 24
"""

from __future__ import annotations

import argparse

from lashwave.mechanics.simulation import SimulationError
from lashwave.twin import throws


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("first", type=int, help="first seed")
    parser.add_argument("last", type=int, help="seed to stop before")
    asked = parser.parse_args()
    for seed in range(asked.first, asked.last):
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
