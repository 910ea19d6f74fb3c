"""How the tip's speed grew while the fold ran out: against the mass beyond the fold, and from what.

V is the tip's speed relative to the grip's end, m the mass and l the length beyond the fold; 0 and
1 are the two ends of the fold's run (`fold`). The exponent is the slope of log V over log m in the
run, each time counting by what log m changes there; the law of kinetic energy kept says -1/2
whatever the taper (for a mass per length as (1 - s/L)^p that is V ~ l^(-(p + 1) / 2)). The speed
ratio is twice the way of the fold over the integral of V; law 1.

The parts add up to the greatest speed of the tip; the hand's is projected on the tip's velocity at
that moment, the others are differences of speeds relative to the grip's end:

    peak = hand + start + shortening + taper + other + free end

hand: velocity of the grip's end then, along the tip's; start: V0; shortening:
V0 (sqrt(l0 / l1) - 1), what the law gives a uniform line; taper:
V0 (sqrt(m0 / m1) - sqrt(l0 / l1)), what it gives this line more; other: V1 less the law's speed,
the work of hand, gravity, drag and bending meanwhile; free end: what is gained after the run. The
law is taken as the measure also where it does not hold; `other` then holds its failure.
"""

from __future__ import annotations

import numpy as np

from lashwave.answers.fold import Run
from lashwave.mechanics import Chain
from lashwave.quantities import Answer, Array, Draws, Index, from_draws

LEAST_GROWTH = 1.5
"""Ratio of the masses beyond the fold over which an exponent is asked."""
PARTS = ("hand", "start", "shortening", "taper", "other", "free_end")


def mass_beyond(chain: Chain, station: Array) -> Array:
    """Mass [kg] beyond stations (...) [m], tuft and markers included."""
    link = chain.link_mass @ [1.0, 2.0, 1.0]
    inboard = np.concatenate([[0.0], np.cumsum(link)])
    return np.asarray(inboard[-1] - np.interp(station, chain.station, inboard))


def exponent(run: Run | None, chain: Chain) -> float:
    """Of one draw; nan where no fold runs, or the mass beyond it falls by too little."""
    if run is None or run.relative.min() <= 0.0:
        return float("nan")
    mass = np.log(mass_beyond(chain, run.station))
    if mass[0] - mass[-1] < np.log(LEAST_GROWTH):
        return float("nan")
    share = np.sqrt(np.abs(np.gradient(mass)))
    return float(np.polyfit(mass, np.log(run.relative), 1, w=share)[0])


def speed_ratio(run: Run | None) -> float:
    """Of one draw: twice the fold's way along the line over the integral of V; nan without one."""
    if run is None:
        return float("nan")
    return float(2.0 * (run.station[-1] - run.station[0]) / np.trapezoid(run.relative, run.time))


def parts(
    draws: Draws, chosen: Index, runs: list[Run | None], chain: Chain, peak_time: Array
) -> Array:
    """(n, 6) [m/s], `PARTS` of each draw's greatest tip speed; nan where no fold runs.

    peak_time : (D,) [s]; the grid time nearest to it is taken.
    """
    grip = chain.handle_links
    out = np.full((chosen.size, len(PARTS)), np.nan)
    for i, (d, run) in enumerate(zip(chosen, runs, strict=True)):
        if run is None:
            continue
        k = int(np.abs(draws.time - peak_time[d]).argmin())
        tip = draws.velocity[d, k, -1].astype(float)
        along = tip / np.linalg.norm(tip)
        hand = float(draws.velocity[d, k, grip].astype(float) @ along)
        station = run.station[[0, -1]]
        mass, left = mass_beyond(chain, station), chain.station[-1] - station
        start, reached = float(run.relative[0]), float(run.relative[-1])
        short, law = np.sqrt(left[0] / left[1]), np.sqrt(mass[0] / mass[1])
        last = float(np.linalg.norm(tip)) - hand - reached
        gains = (short - 1.0, law - short)
        out[i] = (hand, start, *(start * g for g in gains), reached - start * law, last)
    return out


def answers(runs: list[Run | None], chain: Chain, shares: Array) -> dict[str, Answer]:
    """Exponent, speed ratio and parts by the names of `summary.json`.

    shares : (D, 3), no unit, of `PARTS`.
    """
    slope = np.array([exponent(run, chain) for run in runs])
    ratio = np.array([speed_ratio(run) for run in runs])
    none = "no fold runs out along the line before the tip's peak"
    found = {
        "fold_mass_exponent": _most(slope, "1", none),
        "fold_speed_ratio": _most(ratio, "1", none),
    }
    for name, values in zip(PARTS, shares.T, strict=True):
        found[f"tip_speed_from_{name}"] = _most(values, "m s-1", none)
    return found


def _most(values: Array, unit: str, reason: str) -> Answer:
    """From draws, null where under half of them have a value."""
    if np.isfinite(values).mean() < 0.5:
        return Answer(None, unit, reason=reason)
    return from_draws(values, unit)
