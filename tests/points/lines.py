"""Invented motions of an inextensible line, for tests of linking and labels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array

STEP = 2e-3
STATION = np.array([0.03, 0.17, 0.36, 0.50, 0.64, 0.83, 0.97, 1.15, 1.28, 1.45, 1.58, 1.77])
"""Unevenly marked, 12 markers; the first two on a straight grip of 0.2 m."""
GRIP = 0.2


def fold(samples: int, seed: int) -> Array:
    """(T, L, 3) [m]: a fold runs along a hand-held line, whose free arm passes close by the other.

    The tangent turns by some 190 degrees over 0.12 m, so that the arms cross, some centimetres
    apart; a sum over 2 mm steps of unit tangents, so that no chord is longer than its arc.
    """
    rng = np.random.default_rng(seed)
    fine = np.arange(0.0, 1.8, 2e-3)
    time = np.arange(samples) * STEP
    place = 0.3 + 1.9 * (time / time[-1]) ** 1.5
    grow = np.clip((fine - GRIP) / 0.3, 0.0, 1.0)
    turn = 1.65 * (1.0 + np.tanh((fine - place[:, None]) / 0.06)) * grow
    turn = turn + 0.4 * np.sin(4.0 * time + rng.uniform(0, 6))[:, None]
    lean = rng.uniform(0.05, 0.15) * np.sin(3.0 * fine + 5.0 * time[:, None]) * grow
    tangent = np.stack(
        [np.cos(turn) * np.cos(lean), np.sin(lean), np.sin(turn) * np.cos(lean)], axis=-1
    )
    path = np.concatenate([np.zeros((samples, 1, 3)), np.cumsum(tangent, axis=1) * 2e-3], axis=1)[
        :, :-1
    ]
    index = np.rint(STATION / 2e-3).astype(int)
    hand = 0.3 * np.stack([np.sin(9 * time), 0 * time, np.cos(7 * time)], axis=-1)
    return path[:, index] + hand[:, None]


def seen(
    true: Array, rng: np.random.Generator, ghosts: float = 0.1, lost: float = 0.04
) -> tuple[NDArray[np.int64], Array, NDArray[np.int64]]:
    """Points (U,) sample, (U, 3) place and (U,) true column, -1 for a ghost, in random order.

    Noise of 0.3 mm; runs of 3 samples lost; a share of points replaced by a reflection some 0.03
    to 0.3 m off, and as many strays.
    """
    samples, count = true.shape[:2]
    gone = rng.random((samples, count)) < lost / 3
    gone = gone | np.roll(gone, 1, axis=0) | np.roll(gone, 2, axis=0)
    sample, column = np.nonzero(~gone)
    place = true[sample, column] + rng.normal(0.0, 0.3e-3, (sample.size, 3))
    false = rng.random(sample.size) < ghosts
    away = rng.normal(size=place.shape)
    away *= ((0.03 + rng.exponential(0.1, sample.size)) / np.linalg.norm(away, axis=1))[:, None]
    place[false] += away[false]
    stray = rng.integers(0, samples, int(ghosts * sample.size))
    near = true[stray, rng.integers(0, count, stray.size)]
    sample = np.concatenate([sample, stray])
    place = np.concatenate([place, near + rng.normal(0.0, 0.3, (stray.size, 3))])
    label = np.concatenate([np.where(false, -1, column), np.full(stray.size, -1)])
    order = rng.permutation(sample.size)
    return sample[order], place[order], label[order]
