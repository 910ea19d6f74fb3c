"""Peak tip speed of one throw against the number and the grading of the nodes.

Run: python -m benchmarks.convergence
"""

from __future__ import annotations

import numpy as np

from benchmarks.throw import chain, run


def main() -> None:
    print("links  ratio  power  tip link [mm]  peak tip speed [m/s]  at [s]")
    for ratio, power in ((1.0, 1.0), (3.0, 1.0), (6.0, 1.0), (10.0, 1.0)):
        for links in (25, 50, 100):
            body = chain(links, ratio, power)
            motion, peak = run(body, 3e-6)
            speed = np.linalg.norm(motion.velocity[:, -1], axis=1)
            print(
                f"{body.links:5d} {ratio:6.1f} {power:6.1f} {1e3 * body.length[-1]:12.1f}"
                f" {peak:18.3f} {motion.time[speed.argmax()]:14.4f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
