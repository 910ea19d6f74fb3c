"""The design law judged on lines and hands that it has not seen.

Run: python benchmarks/law.py TRAIN.csv TEST.csv

The tables are those of `benchmarks/throws.py`: the first of 10000 throws, the second of 30x10 with
another seed. The last rows run a few throws again by the careful engine and with twice the links.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

from lashwave.files import read_throws
from lashwave.mechanics import simulate
from lashwave.quantities import TRIAL_GRAVITY
from lashwave.study import design_law, law_text, one_throw, throw_family

SAMPLE = 12
"""Throws that are run again."""


def careful(throw: dict[str, float], when: float) -> float:
    """Peak speed [m/s] near a time by `simulate`, on links with the same masses at their ends."""
    chain = throw_family.chain_of(throw, one_throw.LINKS).with_point_masses()
    times = np.concatenate([[0.0], when + np.linspace(-2e-3, 2e-3, 401)])
    motion = simulate(
        chain, throw_family.grip_of(throw, when + 0.1), throw_family.air_of(throw),
        TRIAL_GRAVITY, throw_family.law_of(throw), times, *throw_family.start_of(throw, chain),
        rtol=1e-6,
    )  # fmt: skip
    return float(np.linalg.norm(motion.velocity[1:, -1], axis=1).max())


if __name__ == "__main__":
    train, test = (read_throws(Path(name)) for name in sys.argv[1:3])
    began = time.process_time()
    law = design_law.fit_law(train)
    print(f"{law.throws} throws, fitted in {time.process_time() - began:.0f} CPU s")
    print("held-out fifths:")
    print(law.scores.round(4).to_string())
    print(f"{(test['bad'] == '').sum()} throws of new lines and hands:")
    print(design_law.judged(law, test).round(4).to_string())
    print(law_text.document(law))
    off = []
    for row in test[test["bad"] == ""].head(SAMPLE * 20).iloc[::20].to_dict("records"):
        throw = {name: float(row[name]) for name in throw_family.NAMES}
        twice = one_throw.run(throw, 2 * one_throw.LINKS)["peak_speed"]
        slow = careful(throw, float(row["crack_time"]))
        off.append([row["peak_speed"] / slow - 1, row["peak_speed"] / twice - 1])
    worst, middle = np.abs(off).max(axis=0), np.median(np.abs(off), axis=0)
    print(f"against the careful engine: {middle[0]:.2%} in the median, {worst[0]:.2%} at worst")
    print(f"against twice the links: {middle[1]:.2%} in the median, {worst[1]:.2%} at worst")
