"""Which throws a person should look at first.

Each sign of trouble is a number over the limit from which it counts; a throw's concern is the
largest of them, so that 1 is the line between a throw to look at and one to leave. Failed throws
come before all others.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from lashwave.study.throws_table import FAILED, CampaignThrow

DISTRUSTED = 0.05
"""Share of sightings that a fit may distrust."""
RESIDUAL = 1.5
"""Root mean square of residuals, in their standard deviations, either way from 1."""
WHITENESS = 0.3
"""Correlation of a marker's residuals with the next."""
COVERED, COVER_ROOM = 0.95, 0.2
"""Share of left-out samples within their 95 % intervals, and how far it may fall short."""
UNSURE = 0.05
"""Standard deviation of the peak tip speed over its value."""
FAR = 3.0
"""Robust standard deviations from the other throws of its specimen."""
FEWEST = 5
"""Throws of a specimen before one of them can be far from the others."""
WATCHED = ("peak_tip_speed", "peak_grip_tension", "hand_work")
"""Answers that are held against those of the other throws."""


def concerns_of(throws: Sequence[CampaignThrow]) -> list[tuple[float, str]]:
    """Doubt of each throw, no unit, and what raises it to 1 and above, worst first.

    nan where it is not done yet; infinite where it failed.
    """
    apart = _apart(throws)
    return [_concern(throw, far) for throw, far in zip(throws, apart, strict=True)]


def ranked(concerns: Sequence[tuple[float, str]]) -> list[int]:
    """Places of the throws, the most doubtful first; those not done yet last."""
    key = [-math.inf if math.isnan(d) else d for d, _ in concerns]
    return sorted(range(len(key)), key=lambda i: -key[i])


def _concern(throw: CampaignThrow, far: list[tuple[float, str]]) -> tuple[float, str]:
    if throw.state == FAILED:
        return math.inf, throw.reason
    if not throw.answers:
        return math.nan, ""
    signs = sorted([*_signs(throw), *far], key=lambda sign: -sign[0])
    return signs[0][0], "; ".join(words for size, words in signs if size >= 1.0)


def _signs(throw: CampaignThrow) -> list[tuple[float, str]]:
    facts = throw.facts
    found = [(0.0, "")]

    def fact(name: str) -> float:
        value = facts.get(name)
        return math.nan if value is None else float(value)

    distrusted, residual = fact("distrusted"), max(fact("residual"), 1e-9)
    short = COVERED - fact("withheld")
    found += [
        (distrusted / DISTRUSTED, f"{distrusted:.0%} of the sightings distrusted"),
        (max(residual, 1 / residual) / RESIDUAL, f"residuals of {residual:.2g} sd"),
        (abs(fact("whiteness")) / WHITENESS, f"residuals correlated by {fact('whiteness'):.2f}"),
        (short / COVER_ROOM, f"{fact('withheld'):.0%} of left-out samples in their 95 %"),
    ]
    peak = throw.answers.get("peak_tip_speed")
    if peak is not None and peak.value and peak.sd is not None:
        share = peak.sd / abs(peak.value)
        found.append((share / UNSURE, f"peak tip speed known to {share:.0%} only"))
    cares = len(facts.get("cares", ()))
    if cares:
        found.append((1.0 + 0.1 * (cares - 1), f"check says {cares} times: care"))
    count = len(throw.warnings)
    if count:
        found.append((1.0 + 0.1 * (count - 1), f"{count} warning{'s' if count > 1 else ''}"))
    return [(size, words) for size, words in found if not math.isnan(size)]


def _apart(throws: Sequence[CampaignThrow]) -> list[list[tuple[float, str]]]:
    """How far each throw lies from the median of its specimen's, in the spread of these."""
    found: list[list[tuple[float, str]]] = [[] for _ in throws]
    for name in WATCHED:
        groups: dict[str | None, list[tuple[int, float, float]]] = defaultdict(list)
        for i, throw in enumerate(throws):
            answer = throw.answers.get(name)
            if answer is not None and answer.value is not None:
                groups[throw.specimen].append((i, answer.value, answer.sd or 0.0))
        for members in groups.values():
            if len(members) < FEWEST:
                continue
            value = np.array([v for _, v, _ in members])
            middle = float(np.median(value))
            # 1.4826 makes it the standard deviation of normal values.
            spread = 1.4826 * float(np.median(np.abs(value - middle)))
            for i, v, sd in members:
                size = abs(v - middle) / max(math.hypot(spread, sd), 1e-12)
                found[i].append((size / FAR, f"{name} {size:.1f} sd from its specimen's others"))
    return found
