"""Which input moves an output most: Sobol' indices of the forward engine, and its slopes.

Indices by SALib (Herman and Usher, J. Open Source Softw. 2 (2017) 97), from the points and the
estimators of Saltelli et al., Comput. Phys. Commun. 181 (2010) 259; intervals by bootstrap.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from lashwave.quantities import Array, Index, InputError

RESAMPLED = 400
"""Bootstrap samples of an interval."""
LEVEL = 0.95
STEP = 0.01
"""Of an input's range, to each side, for a slope."""


@dataclass(frozen=True)
class InputSpread:
    """How far inputs vary: evenly between `low` and `high`, all apart from each other."""

    names: tuple[str, ...]
    low: Array
    """(D,) SI"""
    high: Array
    """(D,) SI; equal to low where an input is fixed."""
    groups: tuple[str, ...] | None = None
    """What each input is counted with; None: each for itself."""

    @classmethod
    def of(
        cls, ranges: Mapping[str, tuple[float, float]], groups: Mapping[str, str] | None = None
    ) -> InputSpread:
        """From (low, high) by name, SI; groups: the group of each name."""
        low, high = (np.array([pair[k] for pair in ranges.values()]) for k in (0, 1))
        of = None if groups is None else tuple(groups[name] for name in ranges)
        return cls(tuple(ranges), low, high, of)

    @property
    def varied(self) -> Index:
        """(V,) places of the inputs that vary [no unit]."""
        return np.flatnonzero(self.high > self.low)

    def problem(self) -> dict[str, Any]:
        """The inputs that vary, as SALib takes them."""
        of = self.varied
        problem: dict[str, Any] = {
            "num_vars": len(of),
            "names": [self.names[j] for j in of],
            "bounds": [[float(self.low[j]), float(self.high[j])] for j in of],
        }
        if self.groups is not None:
            problem["groups"] = [self.groups[j] for j in of]
        return problem

    @property
    def blocks(self) -> int:
        """Points that belong together: one of each matrix, and one a name that is judged."""
        problem = self.problem()
        return len(set(problem.get("groups", problem["names"]))) + 2


def points(spread: InputSpread, base: int, seed: int = 0) -> Array:
    """Inputs (base * (V + 2), D) at which the engine is asked [SI, as m].

    base : a power of two; intervals shrink with its root.

    Raises
    ------
    InputError : base is no power of two, or fewer than two inputs vary.
    """
    from SALib.sample import sobol

    if base < 2 or base & (base - 1):
        raise InputError("--base", f"{base} is no power of two", "give 64, 128, 256, ...")
    if len(spread.varied) < 2:
        raise InputError("inputs", "fewer than two of them vary", "give two or more a range")
    found = sobol.sample(spread.problem(), base, calc_second_order=False, seed=seed)
    out = np.tile(spread.low, (len(found), 1))
    out[:, spread.varied] = found
    return np.asarray(out)


def indices(spread: InputSpread, values: Array, seed: int = 0) -> pd.DataFrame:
    """First-order and total indices with the half widths of their 95 % intervals.

    values : (base * (V + 2),) [SI, as m/s], in the order of `points`; where one is nan
    (a throw that cannot be trusted), the points that belong with it are left out.

    Raises
    ------
    InputError : fewer than half of the points are left.
    """
    from SALib.analyze import sobol

    whole = values.reshape(-1, spread.blocks)
    good = np.asarray(np.isfinite(whole).all(axis=1))
    if good.mean() < 0.5:
        raise InputError(
            "throws", f"{(~good).sum()} of {len(good)} sets of points hold a bad throw",
            "narrow the ranges",
        )  # fmt: skip
    problem = spread.problem()
    kept = whole[good].ravel()
    found = sobol.analyze(
        problem, kept, calc_second_order=False, num_resamples=RESAMPLED, conf_level=LEVEL,
        seed=seed,
    )  # fmt: skip
    names = list(dict.fromkeys(problem.get("groups", problem["names"])))
    columns = {"first": "S1", "first_half": "S1_conf", "total": "ST", "total_half": "ST_conf"}
    table = pd.DataFrame({new: np.asarray(found[old]) for new, old in columns.items()})
    table.insert(0, "input", names)
    return table.sort_values("total", ascending=False, ignore_index=True)


def slope_points(spread: InputSpread) -> Array:
    """Inputs (P, D) [SI, as m] below and above the middle, for `slopes`."""
    middle = 0.5 * (spread.low + spread.high)
    rows = []
    for j in spread.varied:
        for side in (-1.0, 1.0):
            row = middle.copy()
            row[j] += side * STEP * (spread.high[j] - spread.low[j])
            rows.append(row)
    return np.array(rows)


def slopes(spread: InputSpread, values: Array) -> pd.DataFrame:
    """Derivative of an output at the middle of all ranges, SI over SI, and times half a range.

    values : (P,) [SI, as m/s], at `slope_points`.
    """
    change = np.diff(values.reshape(-1, 2), axis=1)[:, 0]
    width = (spread.high - spread.low)[spread.varied]
    return pd.DataFrame({
        "input": [spread.names[j] for j in spread.varied],
        "slope": change / (2 * STEP * width),
        "over_half_range": change / (4 * STEP),
    })  # fmt: skip
