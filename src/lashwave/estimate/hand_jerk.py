"""How much a hand's jerk is, told by the markers next to it."""

from __future__ import annotations

import numpy as np

from lashwave.quantities import Array, Trial

NEAREST = 3
"""How many markers next to the hand tell its jerk."""
FEWEST = 20
"""Samples that a marker must have to be asked."""
EXPONENTS = np.arange(0.0, 9.1, 0.5)
"""Of ten, tried for the density of the jerk [m2/s5]: from a hand at rest to a blow."""


def jerk_density(trial: Trial) -> float:
    """Most probable density of the hand's jerk [m2/s5], from the markers next to it.

    inf where no marker there was seen often enough, and where the far end is held too.
    """
    markers = trial.markers
    order = np.argsort(np.where(markers.on_handle, -1.0, markers.station))
    near = [i for i in order if np.isfinite(markers.position[:, i, 0]).sum() >= FEWEST][:NEAREST]
    if trial.line.ends == "held" or not near:
        return np.inf
    step = 1.0 / markers.rate
    total = np.zeros(EXPONENTS.size)
    for label in near:
        total += _log_likelihood(markers.position[:, label], markers.sd[:, label], step)
    best = int(total.argmax())
    if best in (0, total.size - 1):
        return float(10.0 ** EXPONENTS[best])
    left, middle, right = total[best - 1 : best + 2]
    shift = 0.5 * (left - right) / (left - 2.0 * middle + right)
    return float(10.0 ** (EXPONENTS[best] + shift * (EXPONENTS[1] - EXPONENTS[0])))


def _log_likelihood(place: Array, sd: Array, step: float) -> Array:
    """Of each tried density, by a marker's places (T, 3) with gaps, standard deviations (T,)."""
    q = 10.0**EXPONENTS
    move = np.array([[1.0, step, 0.5 * step**2], [0.0, 1.0, step], [0.0, 0.0, 1.0]])
    grow = np.array(
        [
            [step**5 / 20, step**4 / 8, step**3 / 6],
            [step**4 / 8, step**3 / 3, step**2 / 2],
            [step**3 / 6, step**2 / 2, step],
        ]
    )
    spread = q[:, None, None] * grow
    state = np.zeros((q.size, 3, 3))  # density, derivative, axis
    state[:, 0] = place[np.isfinite(place[:, 0])][0]
    cover = np.tile(np.diag([1.0, 1e2, 1e4]), (q.size, 1, 1))
    log = np.zeros(q.size)
    for seen, own in zip(place, sd, strict=True):
        state = move @ state
        cover = move @ cover @ move.T + spread
        if not np.isfinite(seen[0]):
            continue
        total = cover[:, 0, 0] + own**2
        miss = seen - state[:, 0]
        log -= 0.5 * ((miss**2).sum(axis=1) / total + 3.0 * np.log(total))
        gain = cover[:, :, 0] / total[:, None]
        state = state + gain[:, :, None] * miss[:, None, :]
        cover = cover - gain[:, :, None] * cover[:, None, 0, :]
    return log
