"""What the energy balance says of damping, of which next to nothing is known beforehand.

A draw has its damping time from what is stated, to a factor of two either way, since fits by the
path alone are biased by its jitter. But the hand's work, what is stored and what the air takes are
each known to a hundredth or two of the work, so the rest is known as well as that. With c what a
draw's damping takes at its own damping time, s a factor on it, and R the rest,

    p(s | draw) ~ lognormal(s; as the draws spread) * normal(R - s c; 0, BALANCE_SD W),

and one factor is drawn from it for each draw, on a grid.
"""

from __future__ import annotations

import numpy as np

from lashwave.quantities.arrays import Array

BALANCE_SD = 0.01
"""Of the hand's work: what the model's random force, and the losses' own faults in a draw, leave
unexplained. With the true damping loss three estimated accounts (seeds 0, 3, 12) close within
0.004."""
REACH, POINTS = 4.5, 721
"""Of the grid of logarithms: prior deviations to either side, and how many."""


def factors(rest: Array, taken: Array, work: float, scale: Array) -> Array:
    """(n,) factors on the damping of n draws, one for each, that the balance makes likely.

    rest : (n,) [J], the hand's work less stored and lost to the air; taken : (n,) [J] by damping as
    the draw has it; work : [J]; scale : (n,), the draws' damping times over the stated one.
    1 where the rest is not known, where work or damping is none, or damping does not vary.
    """
    spread = float(np.std(np.log(scale), ddof=1)) if scale.size > 1 else 0.0
    sd = BALANCE_SD * abs(work)
    if not (np.isfinite(rest).all() and sd > 0.0 and spread > 0.0 and (taken > 0.0).all()):
        return np.ones(rest.size)
    prior = np.linspace(-REACH, REACH, POINTS) * spread + np.median(np.log(scale))
    log_factor = prior - np.log(scale)[:, None]
    miss = (rest[:, None] - taken[:, None] * np.exp(log_factor)) / sd
    prior_miss = (prior - np.median(np.log(scale))) / spread
    log_p = -0.5 * (miss**2 + prior_miss**2)
    share = np.cumsum(np.exp(log_p - log_p.max(axis=1, keepdims=True)), axis=1)
    share /= share[:, -1:]
    rank = np.random.default_rng(2).permutation(rest.size)
    level = (rank + 0.5) / rest.size
    chosen = [np.interp(u, row, g) for u, row, g in zip(level, share, log_factor, strict=True)]
    return np.exp(np.array(chosen))
