"""Motions that physics forbids: more energy than was given, or work that nobody can tell.

Where such a motion is found the search has lost its way, and no answer of it is worth printing.
"""

from __future__ import annotations

import numpy as np

from lashwave.quantities import Array, NotConvergedError, band

IMPOSSIBLE = 1.5
"""Energy of the motion over what it can have been given, at which it is not believed. An honest
fit stays under one by the losses; a tenth over has been seen where the hand is badly known."""
UNKNOWN = 5.0
"""Width of the work's 95 % interval, over the largest kinetic energy so far and the weight's fall,
at which the hand's work, and so the energy, is not known at all."""
WARNED = 1.0
"""The same, at which it is said."""


def work(time: Array, power: Array) -> Array:
    """(..., K) [J] done up to each time, by the trapezoidal rule."""
    step = 0.5 * (power[..., 1:] + power[..., :-1]) * np.diff(time)
    return np.concatenate([np.zeros((*step.shape[:-1], 1)), np.cumsum(step, axis=-1)], axis=-1)


def share_of_given(time: Array, kinetic: Array, power: Array, fall: float) -> Array:
    """Kinetic energy (K,) [J] over its first value, the most work so far and the fall [J].

    Work that the hand has taken back was given all the same.
    """
    most = np.maximum.accumulate(np.maximum(work(time, power), 0.0))
    return np.asarray(kinetic / (kinetic[0] + most + fall))


def energy_warnings(time: Array, share: Array, hint: str = "") -> tuple[str, ...]:
    """What `share_of_given` (K,) means.

    Raises
    ------
    NotConvergedError : over `IMPOSSIBLE`, with the time from which on.
    """
    if share.max() > IMPOSSIBLE:
        since = time[int((share > IMPOSSIBLE).argmax())]
        raise NotConvergedError(
            f"the motion that was found holds {share.max():.3g} times the energy that the hand "
            f"gave: from {since:.3f} s on nothing can be said of it; {hint or CHECK}"
        )
    if share.max() > 1.0:
        since = time[int((share > 1.0).argmax())]
        return (
            f"the motion holds {share.max():.2f} times the energy that the hand gave, "
            f"from {since:.3f} s on",
        )
    return ()


CHECK = "check labels and stations"


def work_warnings(
    time: Array, power: Array, kinetic: Array, fall: float, hint: str = ""
) -> tuple[str, ...]:
    """What draws of the hand's power (D, K) [W] and of the kinetic energy (D, K) [J] mean.

    Raises
    ------
    NotConvergedError : where the work could be anything, with the time from which on.
    """
    if not np.isfinite(power).all():
        return ()
    low, _, high = band(work(time, power))
    scale = np.maximum.accumulate(np.median(kinetic, axis=0)) + fall
    span = (high - low) / np.maximum(scale, 1e-12)
    if span.max() > UNKNOWN:
        k = int((span > UNKNOWN).argmax())
        raise NotConvergedError(
            f"from {time[k]:.3f} s on nothing can be said of the motion: the hand's work is only "
            f"known to lie between {low[-1]:.3g} and {high[-1]:.3g} J, with a kinetic energy of "
            f"{scale.max() - fall:.3g} J at most; {hint or CHECK}"
        )
    if span.max() > WARNED:
        k = int((span > WARNED).argmax())
        return (
            f"the hand's work is known to {high[-1] - low[-1]:.3g} J only (95 %), "
            f"poorly from {time[k]:.3f} s on",
        )
    return ()
