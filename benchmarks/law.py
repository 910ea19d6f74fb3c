"""The design law judged on lines and hands that it has not seen.

Run: python benchmarks/law.py TRAIN.csv TEST.csv [--keep]

The tables are those of `benchmarks/throws.py`: the first of 10000 throws, the second of 30x10 with
another seed. The last rows run a few throws again by the careful engine and with twice the links.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import figures
import numpy as np
import pandas as pd
from figures import Figure

from lashwave.files import read_throws
from lashwave.mechanics import simulate
from lashwave.quantities import TRIAL_GRAVITY
from lashwave.study import design_law, law_text, one_throw, throw_family
from lashwave.study.closed_forms import FORMS

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


ENGINE = f"the forward engine, {one_throw.LINKS} links"
GOALS = {"peak_speed": 0.05}
"""Largest median error wanted, a share."""
INSIDE = (0.90, 0.99)


def kept_figures(judged: pd.DataFrame, count: int) -> list[Figure]:
    """Errors of the law by output, for the docs: in percent, or in mm where it is a place."""
    kept = []
    for name, row in judged.iterrows():
        unit, scale = ("%", 100.0) if FORMS[str(name)].ratio else ("mm", 1e3)
        goal, inside = GOALS.get(str(name)), float(row["inside"])
        kept.append(
            Figure(
                f"{str(name).replace('_', ' ')} [{unit}]",
                ENGINE,
                count,
                scale * row["median_error"],
                scale * row["worst_error"],
                "" if goal is None else f"{scale * goal:g} in the median",
                None if goal is None else bool(row["median_error"] < goal),
                f"{inside:.1%}",
                beside=f"nine tenths under {scale * row['ninth_tenth_error']:.2g}; equation alone "
                f"{scale * row['median_error_equation']:.2g}, "
                f"closed form {scale * row['closed_form']:.2g}",
            )
        )
        kept.append(Figure(
            f"{str(name).replace('_', ' ')}: coverage of 95 % intervals [%]", ENGINE, count,
            100.0 * inside, None, "90 to 99", INSIDE[0] <= inside <= INSIDE[1],
        ))  # fmt: skip
    return kept


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("train", type=Path, help="table of throws that the law is fitted to")
    parser.add_argument("test", type=Path, help="table of new lines by new hands")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    asked = parser.parse_args()
    train, test = read_throws(asked.train), read_throws(asked.test)
    began = time.process_time()
    law = design_law.fit_law(train)
    print(f"{law.throws} throws, fitted in {time.process_time() - began:.0f} CPU s")
    print("held-out fifths:")
    print(law.scores.round(4).to_string())
    good = int((test["bad"] == "").sum())
    judged = design_law.judged(law, test)
    print(f"{good} throws of new lines and hands:")
    print(judged.round(4).to_string())
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
    if asked.keep:
        left_out = [float((table["bad"] != "").mean()) for table in (train, test)]
        others = [
            Figure("peak speed against the careful engine [%]", "`simulate`", len(off),
                   100 * float(middle[0]), 100 * float(worst[0])),
            Figure("peak speed against twice the links [%]", "the forward engine, twice the links",
                   len(off), 100 * float(middle[1]), 100 * float(worst[1])),
        ]  # fmt: skip
        figures.save(
            "law", "Design law on new lines and hands", [*kept_figures(judged, good), *others],
            [f"Fitted to {law.throws} throws. Left out as not trusted: {left_out[0]:.1%} of the "
             f"throws that it was fitted to, {left_out[1]:.1%} of the new ones."],
        )  # fmt: skip
