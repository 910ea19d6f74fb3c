"""The design law: closed form, times powers of groups, times what a Gaussian process adds.

For each output of a throw, log(output / closed form) (a place: its difference over the length) is
fitted by few of the dimensionless groups, picked by orthogonal matching pursuit, then by a Gaussian
process over all of them. The half width of its interval is the process's standard deviation
times a factor with which 95 % of the throws of held-out lines and hands fell inside (split
conformal prediction; Vovk, Gammerman and Shafer, Algorithmic Learning in a Random World, 2005).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from lashwave.quantities import Array, Index, InputError
from lashwave.study import groups, throw_family
from lashwave.study.closed_forms import FORMS, closed_forms, from_form, over_form

COVERED = 0.95
MOST_TERMS = 6
"""Groups in a printed equation."""
LEARNT, FITTED = 500, 4000
"""Throws from which the process's lengths are learnt, and throws that it holds."""
FOLDS = 5
FEWEST = 60
"""Throws without which no law is fitted."""
SLACK = 0.02
"""A group may pass the range it was fitted on by this share of it before a warning."""


@dataclass(frozen=True)
class Part:
    """The law of one output."""

    name: str
    constant: float
    power: dict[str, float]
    """Of the groups in the printed equation."""
    places: Array
    """(n, G): standardised groups of the throws that the process holds."""
    rest: Array
    """(n,): what the equation left open there."""
    theta: Array
    """Logarithms of the process's variance, lengths (G,) and noise."""
    factor: tuple[float, float]
    """Half width of a 95 % interval over the process's sd; and of the equation's alone, as added
    to the closed form."""

    @cached_property
    def process(self) -> Any:
        """The fitted process."""
        return _process(self.places, self.rest, self.theta)

    def equation(self, table: pd.DataFrame) -> Array:
        """(M,) [1], what the equation adds to the closed form, from a table of groups."""
        out = np.full(len(table), self.constant)
        for name, power in self.power.items():
            out += power * table[name].to_numpy()
        return out


def _kernel(count: int) -> Any:
    from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

    lengths = Matern(np.full(count, 3.0), (0.3, 100.0), nu=2.5)
    return ConstantKernel(0.1, (1e-4, 10.0)) * lengths + WhiteKernel(1e-3, (1e-7, 1.0))


def _process(places: Array, rest: Array, theta: Array | None, repeats: int = 0) -> Any:
    """A Gaussian process with given hyperparameters, or with learnt ones where theta is None."""
    from sklearn.gaussian_process import GaussianProcessRegressor

    kernel = _kernel(places.shape[1])
    if theta is not None:
        kernel = kernel.clone_with_theta(theta)
    process = GaussianProcessRegressor(
        kernel, optimizer="fmin_l_bfgs_b" if theta is None else None, alpha=1e-10,
        n_restarts_optimizer=repeats, random_state=0,
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a length at its bound: that group does not count
        return process.fit(places, rest)


def held_out_parts(throws: pd.DataFrame, folds: int = FOLDS) -> list[tuple[Index, Index]]:
    """(train, test) rows (M,) [no unit], no line and no hand of the one in the other.

    Throws that share a line or a hand, in however many steps, stay together; where all hang
    together (every line by every hand), lines and hands are parted each for itself.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    line, hand = (_number_of(throws, whose) for whose in ("line", "hand"))
    lines, hands = int(line.max()) + 1, int(hand.max()) + 1
    ties = coo_matrix((np.ones(len(line)), (line, lines + hand)), shape=(lines + hands,) * 2)
    count, part = connected_components(ties, directed=False)
    rng = np.random.default_rng(0)
    if count >= 3 * folds:
        fold = rng.permutation(np.arange(count) % folds)[part[line]]
        return [(np.flatnonzero(fold != k), np.flatnonzero(fold == k)) for k in range(folds)]
    one = rng.permutation(np.arange(lines) % folds)[line]
    other = rng.permutation(np.arange(hands) % folds)[hand]
    return [
        (np.flatnonzero((one != k) & (other != k)), np.flatnonzero((one == k) & (other == k)))
        for k in range(folds)
    ]


def _number_of(throws: pd.DataFrame, whose: str) -> Index:
    names = [item.name for item in throw_family.INPUTS if item.whose == whose]
    return np.asarray(throws.groupby(names, sort=False).ngroup())


@dataclass(frozen=True)
class DesignLaw:
    """The laws of all outputs, and where they hold."""

    parts: dict[str, Part]
    middle: Array
    """(G,), mean of the groups of the throws it was fitted on."""
    spread: Array
    """(G,), their standard deviation."""
    low: Array
    """(G,)"""
    high: Array
    """(G,)"""
    throws: int
    scores: pd.DataFrame = field(repr=False)
    """For held-out lines and hands, by output: median error, share inside."""

    def outside(self, throws: pd.DataFrame) -> list[str]:
        """For each throw the groups that lie outside the range of validity, or ""."""
        table = groups.group_table(throws).to_numpy()
        slack = SLACK * (self.high - self.low)
        wrong = (table < self.low - slack) | (table > self.high + slack)
        return [", ".join(np.array(groups.NAMES)[row]) for row in wrong]

    def predict(self, throws: pd.DataFrame) -> pd.DataFrame:
        """Each output with a 95 % interval (`_low`, `_high`), the equation alone, `outside`.

        throws : the inputs of `throw_family`, one row a throw, SI.
        """
        table = groups.group_table(throws)
        places = (table.to_numpy() - self.middle) / self.spread
        out: dict[str, Any] = {}
        for name, part in self.parts.items():
            rest, sd = part.process.predict(places, return_std=True)
            plain = part.equation(table)
            half = part.factor[0] * sd
            out[name] = from_form(throws, name, plain + rest)
            out[f"{name}_low"] = from_form(throws, name, plain + rest - half)
            out[f"{name}_high"] = from_form(throws, name, plain + rest + half)
            out[f"{name}_equation"] = from_form(throws, name, plain)
        return pd.DataFrame({**out, "outside": self.outside(throws)})


def good_throws(throws: pd.DataFrame) -> pd.DataFrame:
    """Those that can be trusted.

    Raises
    ------
    InputError : fewer than `FEWEST` are left.
    """
    good = throws[throws["bad"] == ""].reset_index(drop=True)
    if len(good) < FEWEST:
        raise InputError(
            "throws", f"only {len(good)} of {len(throws)} throws can be trusted",
            f"give {FEWEST} or more; 500 make a useful law",
        )  # fmt: skip
    return good


def fit_law(throws: pd.DataFrame, names: tuple[str, ...] = tuple(FORMS)) -> DesignLaw:
    """The law of throws (a table of `ensemble`), by output.

    Raises
    ------
    InputError : too few throws can be trusted.
    """
    good = good_throws(throws)
    table = groups.group_table(good)
    values = table.to_numpy()
    middle, spread = values.mean(axis=0), np.maximum(values.std(axis=0), 1e-9)
    places = (values - middle) / spread
    split = held_out_parts(good)
    parts, scores = {}, {}
    for name in names:
        target = over_form(good, name, good[name].to_numpy(float))
        parts[name], scores[name] = _fit_part(name, table, places, target, split, good)
    return DesignLaw(
        parts, middle, spread, values.min(axis=0), values.max(axis=0), len(good),
        pd.DataFrame(scores).T,
    )  # fmt: skip


def _powers(table: pd.DataFrame, places: Array, target: Array) -> tuple[float, dict[str, float]]:
    """Constant and powers of the few groups that tell most."""
    from sklearn.linear_model import OrthogonalMatchingPursuit

    found = OrthogonalMatchingPursuit(n_nonzero_coefs=MOST_TERMS).fit(places, target)
    chosen = np.flatnonzero(found.coef_)
    values = table.to_numpy()[:, chosen]
    matrix = np.column_stack([np.ones(len(values)), values])
    solved = np.linalg.lstsq(matrix, target, rcond=None)[0]
    names = [groups.NAMES[j] for j in chosen]
    return float(solved[0]), dict(zip(names, map(float, solved[1:]), strict=True))


def _fit_part(
    name: str, table: pd.DataFrame, places: Array, target: Array,
    split: list[tuple[Index, Index]], throws: pd.DataFrame,
) -> tuple[Part, dict[str, float]]:  # fmt: skip
    rng = np.random.default_rng(0)
    constant, power = _powers(table, places, target)
    whole = Part(name, constant, power, places, target, np.zeros(0), (1.0, 1.0))
    rest = target - whole.equation(table)
    few = rng.permutation(len(rest))[:LEARNT]
    theta = _process(places[few], rest[few], None).kernel_.theta
    misses, widths, plain, rows = [], [], [], []
    for train, test in split:
        # the equation too is fitted without the held-out lines and hands
        own = Part(name, *_powers(table.iloc[train], places[train], target[train]), places[:0],
                   rest[:0], theta, (1.0, 1.0))  # fmt: skip
        left = target - own.equation(table)
        held = train[rng.permutation(len(train))[:FITTED]]
        found, sd = _process(places[held], left[held], theta).predict(places[test], return_std=True)
        misses.append(left[test] - found)
        widths.append(sd)
        plain.append(left[test])
        rows.append(test)
    miss, sd, alone = map(np.concatenate, (misses, widths, plain))
    row = np.concatenate(rows)
    factor = (_covering(np.abs(miss) / sd), _covering(np.abs(alone)))
    held = rng.permutation(len(rest))[:FITTED]
    part = Part(name, constant, power, places[held], rest[held], theta, factor)
    return part, _scores(name, target[row], miss, sd, alone, factor, throws.iloc[row])


def _covering(size: Array) -> float:
    """The size that `COVERED` of all do not pass, with the allowance for a finite sample."""
    rank = min(np.ceil(COVERED * (len(size) + 1)) / len(size), 1.0)
    return float(np.quantile(size, rank, method="higher"))


def _scores(
    name: str, target: Array, miss: Array, sd: Array, alone: Array,
    factor: tuple[float, float], throws: pd.DataFrame,
) -> dict[str, float]:  # fmt: skip
    """Median errors over held-out lines and hands, and the median half width of an interval."""
    throws = throws.reset_index(drop=True)
    if FORMS[name].ratio:
        error, plain, half = np.expm1(np.abs(miss)), np.expm1(np.abs(alone)), factor[0] * sd
    else:
        length = throws["length"].to_numpy(float)
        error, plain, half = np.abs(miss) * length, np.abs(alone) * length, factor[0] * sd * length
    return {
        "median_error": float(np.median(error)),
        "median_error_equation": float(np.median(plain)),
        "ninth_tenth_error": float(np.quantile(error, 0.9)),
        "median_half_width": float(np.median(half)),
        "explained": float(1.0 - np.var(miss) / np.var(target)),
    }


def judged(law: DesignLaw, throws: pd.DataFrame) -> pd.DataFrame:
    """How the law does on throws it has not seen: by output, median error and share inside."""
    good = throws[throws["bad"] == ""].reset_index(drop=True)
    said = law.predict(good)
    found = {}
    for name in law.parts:
        true = good[name].to_numpy(float)
        size = np.abs(true) if FORMS[name].ratio else 1.0
        inside = (true >= said[f"{name}_low"]) & (true <= said[f"{name}_high"])
        found[name] = {
            "median_error": float(np.median(np.abs(said[name] - true) / size)),
            "median_error_equation": float(
                np.median(np.abs(said[f"{name}_equation"] - true) / size)
            ),
            "ninth_tenth_error": float(np.quantile(np.abs(said[name] - true) / size, 0.9)),
            "worst_error": float(np.max(np.abs(said[name] - true) / size)),
            "inside": float(inside.mean()),
            "closed_form": float(np.median(np.abs(closed_forms(good)[name] - true) / size)),
        }
    return pd.DataFrame(found).T
