"""Places of one moving point that its other places contradict.

A place is foretold by a parabola through its neighbours in time, itself left out. Holds for a
point whose acceleration changes by a small share of its step from frame to frame.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array

REACH, EACH_SIDE = 6, 3
"""Neighbours: within so many frames, and so many of them before and after."""
FEWEST = 4
"""Neighbours that a place is judged by."""
DOUBTFUL, UNSURE, COMPANY = 2.0, 0.5, 2
"""Standard deviations from which a place needs neighbours that foretell it, and so many neighbours
at least, to be believed [px]."""
LIMIT = 4.0
"""A place further from what is foretold is contradicted [sd]."""
LEAST, SHARE = 1.0, 0.02
"""What a parabola leaves of the motion: [px], and share of the step to the next frame."""


def steady(frame: NDArray[np.int64], uv: Array, sd: Array) -> NDArray[np.bool_]:
    """(P,) which places the others do not contradict; the worst is taken out first, then anew.

    Parameters
    ----------
    frame : (P,) increasing; uv : (P, 2) [px]; sd : (P,) of one coordinate [px].
    """
    kept = np.ones(frame.size, dtype=bool)
    # A point that jerks about in most places is no liar in one of them.
    away = [_off(i, np.flatnonzero(kept), frame, uv, sd)[0] for i in range(frame.size)]
    rough = float(np.median(away)) if away else 0.0
    while True:
        own = np.flatnonzero(kept)
        off = np.array([_off(int(i), own, frame, uv, sd, rough)[1] for i in own])
        if not off.size or off.max() <= LIMIT:
            break
        kept[own[int(off.argmax())]] = False
    # A doubtful place with nobody to confirm it is left out too.
    kept &= ~((sd >= DOUBTFUL) & np.isin(np.arange(frame.size), own[off == 0.0]))
    near = (np.abs(frame[:, None] - frame[kept]) <= REACH).sum(axis=1) - 1
    return kept & ~((sd >= UNSURE) & (near < COMPANY))


def _off(
    i: int,
    own: NDArray[np.intp],
    frame: NDArray[np.int64],
    uv: Array,
    sd: Array,
    rough: float = 0.0,
) -> tuple[float, float]:
    """Distance of place i from what its neighbours foretell, in px and in sd; 0 where too few."""
    before = own[(own < i) & (frame[own] >= frame[i] - REACH)][-EACH_SIDE:]
    after = own[(own > i) & (frame[own] <= frame[i] + REACH)][:EACH_SIDE]
    near = np.concatenate([before, after])
    if near.size < FEWEST:
        return 0.0, 0.0
    t = (frame[near] - frame[i]).astype(float)
    step = float(np.linalg.norm(uv[near[-1]] - uv[near[0]])) / (t[-1] - t[0])
    model = LEAST + SHARE * step + rough
    error = np.hypot(sd[near], model)
    rows = np.column_stack([np.ones_like(t), t, t * t]) / error[:, None]
    inverse = np.linalg.pinv(rows)
    foretold = inverse[0] @ (uv[near] / error[:, None])
    away = float(np.linalg.norm(uv[i] - foretold))
    return away, away / float(np.sqrt((inverse[0] ** 2).sum() + sd[i] ** 2 + model**2))
