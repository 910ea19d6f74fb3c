"""How probable are motions that fit alike? By Laplace's approximation of each one's evidence.

The evidence of a motion is what its neighbourhood holds of the posterior: with C the least cost
(twice a negative logarithm of probability) and H half its second derivatives there,

    -2 log E = C + log det H + const,

the constant the same for all motions of the same unknowns under the same noise (Tierney and Kadane,
J. Am. Stat. Assoc. 81 (1986) 82, eq. 2.2). So all are asked alike: on one grid of times, under one
density of the random force (at each node and time the greatest that any of the motions has of its
own), with the anchor of one, and with the robust loss itself in place of the weighted squares that
a step lowers, which each motion weights as it likes. Sightings that fall into only some of the
motions (a clock moves a camera's points past the record's end) count in none.

What is left out as alike: the determinant of the tensions, which are eliminated time by time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.anchor import Anchor
from lashwave.estimate.levenberg import Search, diagonal, minimise
from lashwave.estimate.path import Path, with_shares
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.sighting_rows import CORE, Seen, Weights, look
from lashwave.quantities import Array, Whole

DAMPINGS = (1e-6, 1e-3, 1.0)
"""On the turn of a link [1/rad2], the first with which all motions' equations are definite. It
bounds what a link that nothing holds adds to a motion's share."""
LEAST = 0.005
"""Probability of a motion from which on it is told."""


@dataclass(frozen=True)
class Asked:
    """A motion to be weighed: a minimum of the cost, and how far it trusts each sighting."""

    setup: FitSetup
    """With what was known beforehand of this one"""
    path: Path
    weights: Weights
    density: Array
    """(K, N + 1) [m2/s3], of its own random acceleration"""


def shares(deviance: Array) -> Array:
    """(M,) probabilities [1] of motions of these -2 log E (M,) [1]; 0 where one is not finite."""
    known = np.where(np.isfinite(deviance), deviance, np.inf)
    weight = np.exp(-0.5 * (known - known.min()))
    return np.asarray(weight / weight.sum())


def counts(share: Array, draws: int) -> Whole:
    """How many of the draws each motion has, (M,), by its probability (M,) [1].

    The largest remainders round up, and who has `LEAST` has one.
    """
    exact = share * draws
    found = np.floor(exact).astype(np.int64)
    order = np.argsort(found - exact, kind="stable")
    found[order[: draws - int(found.sum())]] += 1
    for poor in np.flatnonzero((share >= LEAST) & (found == 0)):
        found[poor] += 1
        found[int(found.argmax())] -= 1
    return found


STEPS = 4
"""With which each motion is settled under the density that all are asked with."""


def deviances(asked: Sequence[Asked], anchor: Anchor) -> Array:
    """-2 log E (M,) [1] of motions on one grid of times; inf where the equations hold none.

    anchor : of the record's first two times.
    """
    density = np.maximum.reduce([a.density for a in asked])
    alike = open_alike([a.weights for a in asked])
    asked = [replace(a, weights=w) for a, w in zip(asked, alike, strict=True)]
    room = eq.BandMemory()
    settled = [replace(a, density=density, path=_settled(a, density, anchor, room)) for a in asked]
    seen = [look(a.setup, a.path, a.weights) for a in settled]
    found = np.zeros(len(settled))
    for damping in DAMPINGS:
        found = np.array([_about(a, anchor, damping, room) for a in settled])
        if np.isfinite(found).all():
            break
    return found + _losses(seen, asked[0].setup.options.degrees)


def open_alike(weights: Sequence[Weights]) -> list[Weights]:
    """The weights with each sample's place as open beside folds (T, L) [m] as in any of them."""
    every = [w.folds for w in weights if w.folds is not None]
    folds = np.maximum.reduce(every) if every else None
    return [replace(w, folds=folds) for w in weights]


def _settled(asked: Asked, density: Array, anchor: Anchor, room: eq.BandMemory) -> Path:
    search = Search(with_shares(asked.setup, asked.path, density), room=room)
    return minimise(asked.setup, search, density, asked.weights, anchor, STEPS).path


def _about(asked: Asked, anchor: Anchor, damping: float, room: eq.BandMemory) -> float:
    """-2 log E of a motion without its sightings' loss [1]."""
    n = eq.build(asked.setup, asked.path, asked.density, asked.weights, anchor, room)
    return deviance(n, n.cost - n.seen.cost, damping)


def deviance(normal: eq.Normal, cost: float, damping: float) -> float:
    """-2 log E [1] but for a constant, of the neighbourhood of a motion; inf where none is held.

    normal : the equations there, their band then overwritten; cost : that is to count [1], less
    what the last step to the minimum gains; damping : on the turn of each link [1/rad2].
    """
    still = replace(normal, stiffening=np.zeros_like(normal.stiffening))
    try:
        factor = eq.factor(normal, diagonal(still, damping), overwrite=True)
    except np.linalg.LinAlgError:
        return np.inf
    volume = 2.0 * float(np.log(factor.band[0]).sum() + np.log(np.diag(factor.corner)).sum())
    gain = float(normal.gradient @ eq.solve(factor, normal.gradient))
    return cost - gain + volume


def robust_loss(residual: Array, degrees: float) -> Array:
    """Loss (...) [1] of whitened residuals (..., d) [sd] whose slope by their squared size is
    `tail_weights`: squares in the core, a Student's t beyond. 0 where nan (not used)."""
    squared = np.nansum(residual**2, axis=-1)
    core = CORE**2 * residual.shape[-1] / 3.0 + 1.0
    beyond = (degrees + core) * np.log((degrees + np.maximum(squared, core)) / (degrees + core))
    return np.asarray(np.minimum(squared, core) + beyond)


def _losses(seen: Sequence[Seen], degrees: float) -> Array:
    """(M,) robust losses [1] of the sightings that all motions have."""
    found = np.zeros(len(seen))
    every = [[s.marker, *s.camera.values()] for s in seen]
    for alike in zip(*every, strict=True):
        both = np.logical_and.reduce([np.isfinite(r).any(-1) for r in alike])
        found += [float(robust_loss(r, degrees)[both].sum()) for r in alike]
    return found
