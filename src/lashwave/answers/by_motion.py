"""Which answers depend on which of several motions that fit alike it was?"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from lashwave.answers.all import answer
from lashwave.quantities import Answer, Draws, Fit, Motions, Trial, Whole

FEWEST = 3
"""Draws of a motion from which on its answers are told apart from another's."""


def some(draws: Draws, chosen: Whole) -> Draws:
    """Those draws (C,) of a motion alone."""
    every = {f.name: getattr(draws, f.name) for f in fields(Draws)}
    of_all = {n: v[chosen] for n, v in every.items() if n not in ("time", "station", "shared")}
    return replace(draws, **of_all, shared={n: v[chosen] for n, v in draws.shared.items()})


def depending(trial: Trial, fit: Fit) -> Motions | None:
    """The motions with the names of the answers that differ between them; None of one motion.

    An answer does where its values by the first motion's draws and by another's lie further apart
    than its standard deviation within the first, and than two deviations of what so few draws tell
    of a value; or where it exists by the one alone.
    """
    motions = fit.motions
    if motions is None:
        return None
    groups = [np.flatnonzero(motions.of_draw == i) for i in range(motions.probability.size)]
    told = [g for g in groups if g.size >= FEWEST]
    if len(told) < 2:
        return motions
    found, *others = (_answers(trial, fit, g) for g in told)
    sizes = [g.size for g in told]
    names = [
        name
        for name, one in found.items()
        if any(
            _apart(one, other.get(name), sizes[0], size)
            for other, size in zip(others, sizes[1:], strict=True)
        )
    ]
    return replace(motions, depending=tuple(names))


def _answers(trial: Trial, fit: Fit, chosen: Whole) -> dict[str, Answer]:
    return answer(trial, replace(fit, draws=some(fit.draws, chosen)))[0]


def _apart(one: Answer, other: Answer | None, first: int, second: int) -> bool:
    if other is None or (one.value is None) != (other.value is None):
        return True
    if one.value is None or other.value is None or one.sd is None:
        return False
    known = one.sd * max(1.0, 2.0 * float(np.sqrt(1.0 / first + 1.0 / second)))
    return abs(one.value - other.value) > known
