"""An answer: one number (or none, and why) with its interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


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
        """The JSON object of the contract: probability and reason only where they apply."""
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


def from_draws(draws: ArrayLike, unit: str, probability: float | None = None) -> Answer:
    """The median of finite draws, their standard deviation and central 95 % interval."""
    finite = np.asarray(draws, dtype=float)
    finite = finite[np.isfinite(finite)]
    if finite.size == 0:
        return Answer(None, unit, probability=probability, reason="no draw has this event")
    low, middle, high = np.quantile(finite, [0.025, 0.5, 0.975])
    same = float(np.ptp(finite)) <= 1e-12 * abs(float(middle))  # equal but for rounding
    sd = 0.0 if same else float(finite.std(ddof=1))
    return Answer(float(middle), unit, sd, float(low), float(high), probability)
