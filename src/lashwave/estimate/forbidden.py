"""Motions that physics forbids, and those that their own markers contradict.

More energy than was given, work that nobody can tell, samples in a row that lie elsewhere: where
such a motion is found the search has lost its way, and no answer of it is worth printing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lashwave.quantities import Array, LostMotionError, Mask, band

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


def share_of_given(
    time: Array, kinetic: Array, power: Array, fall: float, losing: Array | float = 0.0
) -> Array:
    """Kinetic energy (K,) [J] and what is lost so far, over what can have been given.

    That is the first kinetic energy, the most work so far and the fall [J]. Work that the hand has
    taken back was given all the same.

    power, losing : (K,) [W], what the hand gives, and what air and friction take.
    """
    most = np.maximum.accumulate(np.maximum(work(time, power), 0.0))
    lost = work(time, np.broadcast_to(losing, time.shape))
    return np.asarray((kinetic + lost) / (kinetic[0] + most + fall))


def energy_warnings(time: Array, share: Array, hint: str = "") -> tuple[str, ...]:
    """What `energy_share` (K,) [1] at times (K,) [s] means.

    Raises
    ------
    LostMotionError : over `IMPOSSIBLE`, with the time from which on.
    """
    if share.max() > IMPOSSIBLE:
        since = time[int((share > IMPOSSIBLE).argmax())]
        raise LostMotionError(
            f"the motion that was found holds and has lost {share.max():.3g} times the energy that "
            f"the hand gave: from {since:.3f} s on nothing can be said of it; {hint or CHECK}",
            float(since),
        )
    if share.max() > 1.0:
        since = time[int((share > 1.0).argmax())]
        return (
            f"the motion holds and has lost {share.max():.2f} times the energy that the hand gave, "
            f"from {since:.3f} s on",
        )
    return ()


def holding_until(time: Array, power: Array, kinetic: Array, fall: float) -> float:
    """Time [s] before which a motion's end must lie for most draws to hold what they were given.

    inf where they do to the record's end, or where the hand's work is not known. Where nothing is
    seen of a fast tip any more, draws of the last moments may move as no line can.

    power, kinetic : of the draws (D, K) [W], [J] at times (K,) [s]; fall [J].
    """
    if not np.isfinite(power).all():
        return np.inf
    each = [share_of_given(time, k, p, fall) for k, p in zip(kinetic, power, strict=True)]
    held = np.flatnonzero(np.median(each, axis=0) <= 1.0)
    if held.size == 0 or held[-1] == time.size - 1:
        return np.inf
    return float(time[held[-1] + 1])


CHECK = "check labels and stations"


def work_warnings(
    time: Array, power: Array, kinetic: Array, fall: float, hint: str = ""
) -> tuple[str, ...]:
    """What draws of the hand's power (D, K) [W] and of the kinetic energy (D, K) [J] mean.

    Raises
    ------
    LostMotionError : where the work could be anything, with the time from which on.
    """
    if not np.isfinite(power).all():
        return ()
    low, _, high = band(work(time, power))
    scale = np.maximum.accumulate(np.median(kinetic, axis=0)) + fall
    span = (high - low) / np.maximum(scale, 1e-12)
    if span.max() > UNKNOWN:
        k = int((span > UNKNOWN).argmax())
        raise LostMotionError(
            f"from {time[k]:.3f} s on nothing can be said of the motion: the hand's work is only "
            f"known to lie between {low[-1]:.3g} and {high[-1]:.3g} J, with a kinetic energy of "
            f"{scale.max() - fall:.3g} J at most; {hint or CHECK}",
            float(time[k]),
        )
    if span.max() > WARNED:
        k = int((span > WARNED).argmax())
        return (
            f"the hand's work is known to {high[-1] - low[-1]:.3g} J only (95 %), "
            f"poorly from {time[k]:.3f} s on",
        )
    return ()


NAMED = 3
"""Markers that a message names at most."""
IN_A_ROW = 5
"""Samples of a marker, one after the other, that contradict a motion: strays come singly."""
AT_ONCE = 3
"""Markers with such rows at a time from which the motion is lost: two may have changed labels."""
LATE = 0.02
"""How near the record's end such a row must come for the record to be cut before it [s]."""


def in_rows(against: Mask, used: Mask) -> Mask:
    """(T, L), which samples stand in a row of `IN_A_ROW` or more of their marker's against a
    motion, of samples `against` it among those `used`, (T, L) each."""
    found = np.zeros_like(against)
    for label in range(against.shape[1]):
        k = np.flatnonzero(used[:, label])
        edge = np.flatnonzero(np.diff(np.concatenate([[0], against[k, label], [0]])))
        for first, end in edge.reshape(-1, 2):
            if end - first >= IN_A_ROW:
                found[k[first] : k[end - 1] + 1, label] = True
    return found


def row_warnings(
    time: Array, rows: Mask, labels: Sequence[str], left: Mask | None = None
) -> tuple[str, ...]:
    """What rows of samples against the motion (T, L), as of `in_rows`, at times (T,) [s] mean.

    labels : (L,), of the markers.
    left : (T, L), which of them are surely the motion's fault, as of `left_of`; None for none.

    Raises
    ------
    LostMotionError : where one of these, or several markers at once, stand against it up to the
        record's end.
    """
    sure = np.zeros(time.size, dtype=bool) if left is None else left.any(axis=1)
    lost = np.flatnonzero((rows.sum(axis=1) >= AT_ONCE) | sure)
    if not lost.size:
        return ()
    first = int(lost[0])
    while first > 0 and (rows[first] & rows[first - 1]).any():  # to where the first of them began
        first -= 1
    named = np.asarray(labels)[rows[first : lost[-1] + 1].any(axis=0)].tolist()
    named[NAMED:] = ["others"] if len(named) > NAMED else []
    who, since, until = ", ".join(named), float(time[first]), float(time[lost[-1]])
    words = f"from {since:.3f} to {until:.3f} s the motion contradicts {who}"
    if time[-1] - until < LATE:
        raise LostMotionError(f"{words}: nothing can be said of it from then on", since)
    return (f"{words}: it is wrong there",)
