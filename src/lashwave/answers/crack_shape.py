"""How the line stood and how hard the tip was driven when it cracked."""

from __future__ import annotations

import numpy as np

from lashwave.answers.chance import bounded, said
from lashwave.answers.crack import SonicDraws
from lashwave.quantities.answer import Answer, from_draws
from lashwave.quantities.arrays import Array
from lashwave.quantities.fit import Draws
from lashwave.quantities.motion import interpolate

ACCELERATION_SPAN = 0.2e-3
"""The tip's acceleration is its change of velocity over this time, over this time [s]: what is
shorter is the draws' own jitter. A harder, shorter pull comes out lower."""
AROUND = 5e-3
"""It is looked for within this time of the peak of the tip's speed [s]."""


def peak_acceleration(draws: Draws, peak_time: Array) -> Array:
    """(D,) [m/s2], greatest mean acceleration of the tip over `ACCELERATION_SPAN` about its peak
    of speed; nan where the record is shorter."""
    found = np.full(peak_time.size, np.nan)
    half = 0.5 * ACCELERATION_SPAN
    for d, peak in enumerate(peak_time):
        low = max(peak - AROUND, draws.time[0] + half)
        high = min(peak + AROUND, draws.time[-1] - half)
        if high <= low:
            continue
        at = np.linspace(low, high, 401)
        tip = draws.position[d, :, -1].astype(float), draws.velocity[d, :, -1].astype(float)
        after = interpolate(draws.time, *tip, at + half)[1]
        before = interpolate(draws.time, *tip, at - half)[1]
        change = np.linalg.norm(after - before, axis=-1)
        found[d] = float(change.max()) / ACCELERATION_SPAN
    return found


def rise_at(draws: Draws, when: Array, gravity: Array) -> Array:
    """(D,) [rad], angle of the line from butt to tip above the horizontal at times (D,); nan where
    a time is, or without gravity."""
    found = np.full(when.size, np.nan)
    size = float(np.linalg.norm(gravity))
    if size == 0.0:
        return found
    for d in np.flatnonzero(np.isfinite(when)):
        ends = draws.position[d][:, [0, -1]], draws.velocity[d][:, [0, -1]]
        place, _ = interpolate(draws.time, *ends, [when[d]])
        chord = place[0, 1] - place[0, 0]
        up = -float(chord @ gravity) / size
        found[d] = np.arcsin(np.clip(up / np.linalg.norm(chord), -1.0, 1.0))
    return found


def answers(draws: Draws, sonic: SonicDraws, peak_time: Array, gravity: Array) -> dict[str, Answer]:
    """`peak_tip_acceleration` and `angle_at_sonic`."""
    angle = rise_at(draws, sonic.time, gravity)
    share = float(np.isfinite(sonic.time).mean())
    chance = bounded(share, sonic.time.size)
    rise = from_draws(angle, "rad", chance)
    if share < 0.5 or not np.isfinite(angle).any():
        only = f"sonic with a probability of {said(share, sonic.time.size)} only"
        reason = only if share < 0.5 else "no gravity"
        rise = Answer(None, "rad", probability=chance, reason=reason)
    hard = from_draws(peak_acceleration(draws, peak_time), "m s-2")
    return {"peak_tip_acceleration": hard, "angle_at_sonic": rise}
