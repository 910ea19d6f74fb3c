"""Deviations that are set by hand, held against throws of the independent engine.

    python benchmarks/hand_set.py --from RESULTS/hard.jsonl --keep

Each adds to what the draws say themselves. A throw gives the error of an answer and the draws' own
deviation; how likely the errors of many throws are then says between which values the added part
must lie. `tests/answers/test_hand_set.py` holds the program's own numbers against what is kept
here, so one that is too wide fails as one that is too narrow does. The slide and, in part, the
hand's impulse were set by the throws that are kept now (seeds from 500 on): of those two it is a
test only when other throws take their place.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "benchmarks")]

import figures  # noqa: E402
from figures import ENGINE, Figure  # noqa: E402

from lashwave.answers.energy import WORK_MODEL_SD  # noqa: E402
from lashwave.answers.momentum import IMPULSE_MODEL_SD  # noqa: E402
from lashwave.answers.pull import PULL_MODEL_SD  # noqa: E402
from lashwave.estimate.posterior import SHARED_MODEL_SD, SLIDE_SD  # noqa: E402
from lashwave.quantities.arrays import Array  # noqa: E402

DEGREES = 4.0
"""Of the Student errors: some throws are lost for other reasons, and must not widen all."""
LEVEL = 0.99
NAME = "hand-set"


@dataclass(frozen=True)
class HandSet:
    """A deviation set by hand."""

    name: str
    value: float
    answer: str
    """Whose error tells it; `slide` is no answer."""
    over: str
    """What it is counted in: the answer's "value", the draws' "own" deviation, or "metre"."""


HAND_SET = (
    HandSet("WORK_MODEL_SD", WORK_MODEL_SD, "hand_work", "value"),
    HandSet("IMPULSE_MODEL_SD", IMPULSE_MODEL_SD, "hand_impulse", "value"),
    HandSet("PULL_MODEL_SD", PULL_MODEL_SD, "peak_grip_tension", "value"),
    HandSet("SHARED_MODEL_SD: clock", SHARED_MODEL_SD["clock_offset"], "clock_offset", "own"),
    HandSet("SLIDE_SD", SLIDE_SD, "slide", "metre"),
)


def in_force() -> dict[str, float]:
    """By name, as a throw's record keeps them."""
    return {one.name: one.value for one in HAND_SET}


def told(rows: list[dict[str, Any]], one: HandSet) -> tuple[Array, Array]:
    """Errors and the draws' own deviations (n,) in what it is counted in.

    What was added when the row was made, its `hand_set`, is taken out.
    """
    errors, own = [], []
    for row in rows:
        added = row["hand_set"][one.name]
        if one.answer == "slide":
            found = [row["slide"] | {"value": 1.0}] if "slide" in row else []
        else:
            found = [
                {"error": a["value"] - a["truth"], "sd": a["sd"], "value": abs(a["value"])}
                for name, a in row["answers"].items()
                if name.split(":")[0] == one.answer and a["value"] and a["truth"] is not None
            ]
        for each in found:
            if one.over == "own":
                unit = each["sd"] / np.hypot(1.0, added)
                errors.append(each["error"] / unit)
                own.append(1.0)
            else:
                errors.append(each["error"] / each["value"])
                share = (each["sd"] / each["value"]) ** 2 - added**2
                own.append(np.sqrt(max(share, 0.0)))
    return np.array(errors), np.array(own)


def likely(error: Array, own: Array) -> tuple[float, float, float]:
    """Least, most likely and greatest added deviation, at `LEVEL` by the likelihood's ratio.

    Raises ValueError where there is no error to tell it.
    """
    if error.size == 0:
        raise ValueError("no error, so nothing tells the deviation")
    scale = float(np.quantile(np.abs(error), 0.9))
    tried = np.concatenate([[0.0], np.geomspace(1e-3, 10.0, 400)]) * scale
    total = np.sqrt(own**2 + tried[:, None] ** 2)
    total = np.maximum(total, 1e-3 * scale)
    chance = stats.t.logpdf(error / total, DEGREES) - np.log(total)
    fit = chance.sum(axis=1)
    within = tried[fit > fit.max() - 0.5 * stats.chi2.ppf(LEVEL, 1)]
    return float(within[0]), float(tried[fit.argmax()]), float(within[-1])


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--from", dest="given", type=Path, nargs="+", required=True)
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    args = parser.parse_args()
    lines = [line for path in args.given for line in path.read_text("utf-8").splitlines()]
    rows = [row for row in map(json.loads, lines) if "failed" not in row]
    found = []
    for one in HAND_SET:
        error, own = told(rows, one)
        low, best, high = likely(error, own)
        within = low <= one.value <= high
        print(f"{one.name}: {one.value:.3g}; likely {best:.3g} ({low:.3g} to {high:.3g}), "
              f"{error.size} errors{'' if within else ', OUTSIDE'}")  # fmt: skip
        what = f"{one.name} = {one.value:.3g} [{'m' if one.over == 'metre' else '1'}]"
        found.append(Figure(f"most likely in place of {what}", ENGINE, error.size, best,
                            goal=f"{low:.3g} to {high:.3g} holds it", met=within))  # fmt: skip
    if args.keep:
        at = (rows[-1]["commit"], rows[-1]["machine"])
        names = " ".join(path.name for path in args.given)
        figures.save(
            NAME, "Deviations that are set by hand", found, measured_at=at,
            typed=f"python benchmarks/hand_set.py --from out/benchmarks/hard/{names} --keep",
        )  # fmt: skip
        kept = [
            {"name": one.name, "over": one.over,
             "error": [float(f"{x:.4g}") for x in told(rows, one)[0]],
             "own": [float(f"{x:.4g}") for x in told(rows, one)[1]]}
            for one in HAND_SET
        ]  # fmt: skip
        place = ROOT / "tests" / "answers" / "hand_set.json"
        place.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
