"""The scatter of marker samples, also of samples that were smoothed before they were exported.

Third differences of white noise follow each other with a correlation of -15 / 20. Where a filter
has joined neighbouring samples it is higher, and the scatter that they show is too small. Then
every m-th sample is looked at, for the least m at which the scatter is white again. A fit that
takes the samples as independent counts each of them m times, so sqrt(m) of that scatter is theirs.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lashwave.quantities import Array

WHITE = -0.66
"""Correlation of neighbouring third differences up to which they count as white noise's. That is
-0.75, and -0.70 in the quietest stretches, as picking them raises it; a mean over five samples has
-0.60 there, over three -0.64."""
WINDOW = 30
"""Third differences in a stretch of which the quietest are taken."""
SHARE = 0.1
"""Of the stretches: those with the least, as fast motion only adds."""
LONGEST = 32
"""Samples over which a filter is believed to join them."""
FLOOR = 1e-4
"""[m]; the least deviation that is proposed for smoothed samples: how far off a filter leaves a
marker that moves cannot be seen in what it wrote. Assumed."""


class Scatter(NamedTuple):
    """What samples show of their noise."""

    sd: float
    """Of one coordinate [m]: what to state for samples that are taken as independent."""
    seen: float
    """Of one coordinate [m] from sample to sample."""
    joined: int
    """Samples that share one error; 1 where they are independent."""


def scatter(position: Array) -> Scatter | None:
    """Scatter of tracks (T, L, 3) [m], nan where not seen; None where no stretch is whole."""
    for step in range(1, LONGEST + 1):
        found = [_looked_at(position[:, i], step) for i in range(position.shape[1])]
        known = np.array([f for f in found if f is not None])
        if not known.size:
            break
        noise, together = np.median(known, axis=0)
        if step == 1:
            seen = float(noise)
        if together <= WHITE:
            sd = float(noise * np.sqrt(step))
            return Scatter(sd if step == 1 else max(sd, FLOOR), seen, step)
    if step == 1:
        return None
    return Scatter(max(seen * np.sqrt(LONGEST), FLOOR), seen, LONGEST)


def _looked_at(track: Array, step: int) -> tuple[float, float] | None:
    """Noise [m] of every `step`-th sample, and the correlation of its third differences [1]."""
    blocks = []
    for first in range(step):
        third = np.diff(track[first::step], n=3, axis=0)
        count = len(third) // WINDOW
        blocks.append(third[: count * WINDOW].reshape(count, WINDOW, 3))
    every = np.concatenate(blocks)
    every = every[np.isfinite(every).all(axis=(1, 2))]
    if not len(every):
        return None
    power = (every**2).mean(axis=(1, 2))
    quiet = every[power <= np.quantile(power, SHARE)]
    square = float((quiet**2).mean())
    if square == 0.0:
        return None
    together = float((quiet[:, 1:] * quiet[:, :-1]).mean()) / square
    return float(np.sqrt(square / 20.0)), together
