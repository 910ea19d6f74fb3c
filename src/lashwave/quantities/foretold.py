"""Sightings that the user withheld, as the fit foretells them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashwave.quantities.arrays import Array
from lashwave.quantities.scores import Scores, scored

FAR = 5.0
"""Deviations beyond which a withheld sighting counts as this far: a ghost or a wrong label tells
nothing of the intervals' width. Sightings so far off are distrusted by the fit as well."""


@dataclass(frozen=True)
class ForetoldSightings:
    """Sightings of one marker or camera that the user withheld, and what the fit says of them."""

    name: str
    unit: str
    """m or px"""
    time: Array
    """(n,) [s], lab clock of the fit."""
    error: Array
    """(n, d), predicted less seen."""
    sd: Array
    """(n, d), of what would be seen: the motion's own and the sighting's noise together."""
    expected: Array
    """(D, 2), what each draw of the motion, taken for the truth, would have scored: mean of its
    squared deviation, cut at `FAR` [sd2], and mean log score."""

    @property
    def scores(self) -> Scores:
        """By the forecast of each coordinate."""
        return scored(self.error, self.sd)

    @property
    def deviation(self) -> Array:
        """(n, d) [sd]"""
        return self.error / self.sd

    @property
    def off(self) -> float:
        """Mean of the squared deviation, cut at `FAR` [sd2]."""
        return float(np.minimum(self.deviation**2, FAR**2).mean())


@dataclass(frozen=True)
class Foretold:
    """How well the fit predicts the sightings that the user asked to be withheld."""

    asked: tuple[str, ...]
    """As the user wrote them."""
    groups: tuple[ForetoldSightings, ...]
    outside: int = 0
    """Sightings withheld that lie outside the fit's own time."""

    @property
    def pooled(self) -> dict[str, Scores]:
        """Over all groups of one unit, by that unit."""
        found = {}
        for unit in dict.fromkeys(group.unit for group in self.groups):
            own = [group for group in self.groups if group.unit == unit]
            error, sd = ([getattr(g, part).ravel() for g in own] for part in ("error", "sd"))
            found[unit] = scored(np.concatenate(error), np.concatenate(sd))
        return found

    @property
    def coverage(self) -> float:
        """Share of all coordinates within their 95 % interval."""
        size = np.array([group.error.size for group in self.groups])
        return float(np.average([g.scores.coverage for g in self.groups], weights=size))

    @property
    def words(self) -> str:
        """What was withheld, for titles and messages."""
        return ", ".join(self.asked)

    def further(self) -> tuple[float, float]:
        """Shares of the draws that would lie further out, and less far, than what was seen did.

        (0, 1) says that the intervals are too narrow, or the prediction is off; (1, 0) that they
        are too wide. Taking draws for the truth keeps errors as alike from sample to sample as
        they are, which a count of independent samples would not.
        """
        size = np.array([group.error.size for group in self.groups], dtype=float)
        drawn = np.stack([group.expected[:, 0] for group in self.groups]) * size[:, None]
        seen = size @ np.array([group.off for group in self.groups])
        total = drawn.sum(axis=0)
        return float((total >= seen).mean()), float((total <= seen).mean())
