"""An answer: one number (or none, and why) with its interval."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from lashwave.quantities.quantiles import band

GRIP_REACH = 0.010
"""How far after the grip its tension is asked for [m]: where a chain of some 200 links has its
first node. Nearer, inside the bend at a clamp, tension is what the bend leaves of the pull, and two
chains with other first nodes would not mean the same."""


@dataclass(frozen=True)
class Answer:
    """A quantity of `summary.json`, SI."""

    value: float | None
    unit: str
    sd: float | None = None
    low95: float | None = None
    high95: float | None = None
    probability: float | None = None
    """Given where the answer is an event that may not have happened."""
    reason: str | None = None
    """Why there is no value."""

    def as_dict(self) -> dict[str, float | str | None]:
        """The object of summary.json (`docs/trial-folder.md`): probability and reason only where
        they apply."""
        record: dict[str, float | str | None] = {
            "value": self.value,
            "sd": self.sd,
            "low95": self.low95,
            "high95": self.high95,
            "unit": self.unit,
        }
        if self.probability is not None:
            record["probability"] = self.probability
        if self.value is None:
            record["reason"] = self.reason or "not determined"
        return record


def on_grid(answer: Answer, draws: ArrayLike, spacing: float) -> Answer:
    """An answer that was sought on a grid: the truth lies anywhere within half a spacing of it.

    draws : those that the answer is of. The deviation of an even spread, spacing / sqrt(12), adds
    to their own (JCGM 100:2008, 4.3.7), and the interval is that of draws so spread.

    draws : (D,), in the answer's unit, as [m].
    """
    finite = np.asarray(draws, dtype=float)
    finite = finite[np.isfinite(finite)]
    if answer.value is None or spacing <= 0.0:
        return answer
    place = np.arange(1, finite.size + 1) / (finite.size + 1.0) - 0.5
    spread = finite + spacing * np.random.default_rng(12).permutation(place)
    low, _, high = band(spread)
    sd = float(np.hypot(answer.sd or 0.0, spacing / np.sqrt(12.0)))
    return replace(answer, sd=sd, low95=float(low), high95=float(high))


def from_draws(draws: ArrayLike, unit: str, probability: float | None = None) -> Answer:
    """The median of finite draws, their standard deviation and central 95 % interval.

    draws : (D,), in `unit`, one of SI as [m/s].
    """
    finite = np.asarray(draws, dtype=float)
    finite = finite[np.isfinite(finite)]
    if finite.size == 0:
        return Answer(None, unit, probability=probability, reason="no draw has this event")
    low, middle, high = band(finite)
    same = float(np.ptp(finite)) <= 1e-12 * abs(float(middle))  # equal but for rounding
    sd = 0.0 if same else float(finite.std(ddof=1))
    return Answer(float(middle), unit, sd, float(low), float(high), probability)
