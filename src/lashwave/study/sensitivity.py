"""Which scales the sightings tell apart, in numbers and in plain words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashwave.quantities import Array

NAMED = 0.3
"""Share of the largest component from which a scale is named in a direction."""
ALIKE = 0.9
"""Correlation, by the sightings alone, from which two scales count as not separated."""
RANK = 1e-10
"""Of the largest eigenvalue, from which one counts toward the numerical rank."""


@dataclass(frozen=True)
class Direction:
    """A combination of logarithmic scales, and how well it is held."""

    components: Array
    """(P,), the largest is 1"""
    sd: float
    """Of the combination by the sightings alone, in its prior's deviations."""
    words: str


@dataclass(frozen=True)
class Telling:
    """What the information matrix of the sightings says, prior left out."""

    rank: int
    """Numerical"""
    condition: float
    """Largest over least eigenvalue, scales logarithmic; inf where singular."""
    resolved: int
    """Directions in which the sightings say more than was known before."""
    directions: tuple[Direction, ...]
    """From the best held to the worst."""
    alone: Array
    """(P,) standard deviation of each scale by the sightings alone, all others free; inf where
    they do not hold it."""
    correlation: Array
    """(P, P) by the sightings alone; nan where they hold no scale."""
    statements: tuple[str, ...]


def telling(names: tuple[str, ...], information: Array, prior_sd: Array, sd: Array) -> Telling:
    """Read an information matrix (P, P) of logarithmic scales, no unit.

    Directions are those of the matrix in units of the prior: eigenvalue 1 / sd^2. sd : (P,)
    posterior, for the statements.
    """
    values = np.linalg.eigvalsh(information)
    top = float(values.max())
    rank = int((values > RANK * max(top, 0.0)).sum()) if top > 0 else 0
    condition = float(top / values.min()) if rank == len(names) else np.inf
    root = np.diag(prior_sd)
    size, axes = np.linalg.eigh(root @ information @ root)
    directions = []
    for value, axis in sorted(zip(size, axes.T, strict=True), key=lambda pair: -pair[0]):
        part = prior_sd * axis
        part = part / part[np.abs(part).argmax()]
        held = float(max(value, 0.0) ** -0.5) if value > 0 else np.inf
        directions.append(Direction(part, held, _words(names, part)))
    alone, correlation = _alone(information, rank == len(names))
    resolved = sum(direction.sd < 1.0 for direction in directions)
    statements = _statements(names, prior_sd, sd, directions, alone, correlation)
    return Telling(rank, condition, resolved, tuple(directions), alone, correlation, statements)


def _words(names: tuple[str, ...], part: Array) -> str:
    """`drag_normal up with drag_tuft down`, the largest component first."""
    order = [i for i in np.argsort(-np.abs(part)) if abs(part[i]) >= NAMED]
    if len(order) == 1:
        return f"{names[order[0]]} by itself"
    ways = [f"{names[i]} {'up' if part[i] > 0 else 'down'}" for i in order]
    return " with ".join(ways)


def _alone(information: Array, regular: bool) -> tuple[Array, Array]:
    count = information.shape[0]
    if not regular:
        return np.full(count, np.inf), np.full((count, count), np.nan)
    covariance = np.linalg.inv(information)
    variance = np.diag(covariance)
    if np.any(variance <= 0):
        return np.full(count, np.inf), np.full((count, count), np.nan)
    sd = np.sqrt(variance)
    return sd, covariance / np.outer(sd, sd)


def _statements(
    names: tuple[str, ...],
    prior_sd: Array,
    sd: Array,
    directions: list[Direction],
    alone: Array,
    correlation: Array,
) -> tuple[str, ...]:
    said = []
    for i in range(len(names)):
        for j in range(i):
            if abs(correlation[i, j]) > ALIKE:
                how = "ratio" if correlation[i, j] > 0 else "product"
                said.append(
                    f"The sightings do not tell {names[j]} and {names[i]} apart: they hold their "
                    f"{how} (correlation {correlation[i, j]:.2f})."
                )
    for direction in directions:
        if direction.sd >= 1.0:
            wide = (
                f"{direction.sd:.1f} times as wide as" if direction.sd < 100 else "far wider than"
            )
            said.append(
                f"The sightings do not determine {direction.words}: they leave it {wide} what was "
                "known before."
            )
    loose = {d.words for d in directions if d.sd >= 1.0}
    for name, before, after, own in zip(names, prior_sd, sd, alone, strict=True):
        if after > 0.8 * before and f"{name} by itself" not in loose:
            cause = "the sightings" if own > before else "the chain's own error"
            said.append(
                f"{name} is hardly better known than before (standard deviation of its logarithm "
                f"{after:.2g} against {before:.2g}); what limits it is {cause}."
            )
    if not said:
        said.append("Every scale is separated from the others by the sightings.")
    return tuple(said)
