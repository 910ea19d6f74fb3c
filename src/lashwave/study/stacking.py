"""Which models together predict throws best: differences with errors across throws, and weights.

A throw is one term. Forecasts within a throw share its misfit, so standard errors are those of the
throws' means, and hold for another throw by the same people.

Stacking weights w are those that maximise the mean log of sum_m w_m p_m, p_m the density that
model m gives to a forecast it was not fitted to (Yao, Vehtari, Simpson and Gelman, Bayesian Anal.
13 (2018) 917). The sum is concave in w, so that expectation-maximisation finds its one top.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lashwave.quantities import Array
from lashwave.study.rank import Errors

ROUNDS, SETTLED = 100_000, 1e-10


@dataclass(frozen=True)
class Standing:
    """One model over all throws, against the first."""

    name: str
    score: float
    """Mean over throws of the log score of one coordinate, less the first model's; above 0: it
    predicts better."""
    error: float
    """Its standard error, across throws; nan of one throw alone."""
    better: int
    """Throws in which it predicts better than the first."""
    weight: float
    """Of stacking."""


def stacking_weights(scores: Array) -> Array:
    """Weights (M,) [1] of models whose log densities (T, M) [1] of T forecasts are given."""
    density = np.exp(scores - scores.max(axis=1, keepdims=True))
    weights = np.full(scores.shape[1], 1.0 / scores.shape[1])
    for _ in range(ROUNDS):
        share = weights * density
        share /= share.sum(axis=1, keepdims=True)
        new = share.mean(axis=0)
        change, weights = float(np.abs(new - weights).max()), new
        if change < SETTLED:
            break
    return np.asarray(weights)


def throw_scores(throws: Sequence[Errors]) -> tuple[tuple[str, ...], Array]:
    """Names of the models that all throws have, and log scores (T, M) of each throw [1].

    The score of one coordinate of a forecast, a mean over the throw's: a normal whose variance is
    that of the model's errors in the other throws. Forecasts that a model could not carry on are
    left out for all models.
    """
    names = tuple(n for n in throws[0].names if all(n in t.names for t in throws))
    squares = []
    for t in throws:
        rms = t.rms[[t.names.index(n) for n in names]]
        squares.append(rms[:, np.isfinite(rms).all(axis=0)] ** 2)
    found = np.full((len(throws), len(names)), np.nan)
    for i, own in enumerate(squares):
        others = [s for j, s in enumerate(squares) if j != i and s.size] or [own]
        variance = np.concatenate(others, axis=1).mean(axis=1)
        if own.size:
            found[i] = -0.5 * (np.log(2 * np.pi * variance) + own.mean(axis=1) / variance)
    return names, found[np.isfinite(found).all(axis=1)]


def standings(throws: Sequence[Errors]) -> list[Standing]:
    """Every model over all throws, the first of them with a score of 0."""
    names, scores = throw_scores(throws)
    if not scores.size:
        return []
    weights, less = stacking_weights(scores), scores - scores[:, :1]
    count = len(scores)
    return [
        Standing(
            name,
            float(less[:, m].mean()),
            float(less[:, m].std(ddof=1) / np.sqrt(count)) if count > 1 else float("nan"),
            int((less[:, m] > 0).sum()),
            float(weights[m]),
        )
        for m, name in enumerate(names)
    ]
