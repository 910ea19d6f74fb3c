"""Doubt that the equations do not hold, put into draws so that each draw stays one motion."""

from __future__ import annotations

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.path import Path
from lashwave.estimate.setup import Setup
from lashwave.quantities.arrays import Array

CLAMP = 0.02
"""Past a rigid end the line comes to slide along itself within some of these [m], as far as it
bends there, sqrt(EI / T); the end itself stays where it is."""


def followed(
    factor: eq.Factor, step: Array, column: list[int], share: Array, rng: np.random.Generator
) -> Array:
    """Draws with more doubt of some shared parameters, everything else following them.

    Parameters
    ----------
    step : (K n + Q, D), changed in place and returned.
    column : (C,), of the shared parameters, counted among these.
    share : (C,), standard deviation that is added, over the parameter's own.

    The rest moves by its mean given the parameters, C_xs C_ss^-1 ds (the regression of a Gaussian),
    so that what the sightings say of both together stays said.
    """
    if not column:
        return step
    rows = step.shape[0] - factor.corner.shape[0] + np.array(column)
    cover = np.empty((step.shape[0], rows.size))
    for i, row in enumerate(rows):
        unit = np.zeros(step.shape[0])
        unit[row] = 1.0
        cover[:, i] = eq.solve(factor, unit)
    own = np.sqrt(np.diag(cover[rows]))
    added = (share * own)[:, None] * rng.standard_normal((rows.size, step.shape[1]))
    step += cover @ np.linalg.solve(cover[rows], added)
    return step


def slid(setup: Setup, path: Path) -> Array:
    """(K, N + 1, 3), how nodes move where the line lies a metre further along itself.

    r(s + d, t) is a motion of the same line, so all that belongs to it follows from these places.
    """
    inner = path.direction[:, :-1] + path.direction[:, 1:]
    inner /= np.maximum(np.linalg.norm(inner, axis=-1, keepdims=True), 1e-9)
    along = np.concatenate([path.direction[:, :1], inner, path.direction[:, -1:]], axis=1)
    station = setup.chain.station
    apart = station - station[setup.first_link]
    if setup.chain.held_links:
        apart = np.minimum(apart, station[setup.last_link] - station)
    share = 1.0 - np.exp(-np.maximum(apart, 0.0) / CLAMP)
    return np.asarray(share[:, None] * along)


def slipped(setup: Setup) -> Array:
    """(Q,), how shared parameters change by the same metre: a marker keeps its place in space, so
    its station lies further back."""
    markers, rigid = setup.trial.markers, setup.trial.line.handle_length
    out = np.zeros(len(setup.shared.names))
    for label, station in zip(markers.labels, markers.station, strict=True):
        column = setup.shared.index(f"station:{label}")
        if column >= 0:
            out[column] = -float(station > rigid)
    return out
