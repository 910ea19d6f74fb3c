"""How good a forecast was, once the value is known: wide intervals cost, and so do narrow ones.

The forecast is a normal law of mean m and standard deviation s; z is (seen - m) / s. Lower is
better in the continuous ranked probability score, which has the unit of the value and is the mean
distance where s goes to 0; higher is better in the log score, the logarithm of the density.

Source: Gneiting, Raftery, Westveld and Goldman, Monthly Weather Review 133 (2005) 1098, eq. 5; for
both as strictly proper scores Gneiting and Raftery, J. Am. Stat. Assoc. 102 (2007) 359.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from lashwave.quantities.arrays import Array

COVERED = 1.959964
"""Half width of a normal law's central 95 % [standard deviations]."""


def crps(error: Array, sd: Array) -> Array:
    """Continuous ranked probability score (...), in the unit of both, as [m]; 0 is perfect."""
    z = error / sd
    density = np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    return np.asarray(sd * (z * (2.0 * ndtr(z) - 1.0) + 2.0 * density - 1.0 / np.sqrt(np.pi)))


def log_score(error: Array, sd: Array) -> Array:
    """Natural logarithm of the density (...) at what was seen, per unit of both, as [1/m]."""
    return np.asarray(-0.5 * (error / sd) ** 2 - np.log(sd) - 0.5 * np.log(2.0 * np.pi))


@dataclass(frozen=True)
class Scores:
    """How a set of forecasts did, by the coordinate; lengths in the unit of the forecasts."""

    count: int
    """Coordinates."""
    rms: float
    """Of forecast less seen."""
    sd: float
    """Root mean square of the forecasts' standard deviations."""
    coverage: float
    """Share within the 95 % interval."""
    crps: float
    """Mean continuous ranked probability score."""
    log_score: float
    """Mean log score."""

    def as_dict(self) -> dict[str, float]:
        """The object of summary.json."""
        return {
            "coordinates": self.count, "rms": self.rms, "sd": self.sd, "coverage95": self.coverage,
            "crps": self.crps, "log_score": self.log_score,
        }  # fmt: skip


def scored(error: Array, sd: Array) -> Scores:
    """Scores of forecasts whose errors (...) and deviations (...) have one unit, as [m]."""
    return Scores(
        count=error.size,
        rms=float(np.sqrt(np.mean(error**2))),
        sd=float(np.sqrt(np.mean(sd**2))),
        coverage=float(np.mean(np.abs(error) <= COVERED * sd)),
        crps=float(crps(error, sd).mean()),
        log_score=float(log_score(error, sd).mean()),
    )
