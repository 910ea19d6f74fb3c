"""How the tip's speed grew: against the mass beyond the fold, and from what.

The exponent is the slope of log V over log m while the fold leaves `fold.WIDTHS` of its widths
beyond it, V the tip's speed relative to the grip's end and m the mass beyond the fold; the law of
kinetic energy kept says -1/2 whatever the taper (for a mass per length as (1 - s/L)^p that is
V ~ l^(-(p + 1) / 2), l what remains).

The parts add up to the greatest speed of the tip; the hand's is projected on the tip's velocity at
that moment, the others are differences of speeds relative to the grip's end:

    peak = hand + start + shortening + taper + other + free end

hand: velocity of the grip's end then, along the tip's; start: V0, the relative speed as the fold
is first followed (mass m0, length l0 beyond it); shortening: V0 (sqrt(l0 / l1) - 1), what the law
gives a uniform line until one width of the fold is left beyond it (m1, l1); taper:
V0 (sqrt(m0 / m1) - sqrt(l0 / l1)), what it gives this line more; other: V1 less the law's speed,
the work of hand, gravity, drag and bending meanwhile; free end: what is gained after. The law is
taken as the measure also where it does not hold; `other` then holds its failure.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.answers.fold import LEAST_TIMES, FoldDraws
from lashwave.mechanics.chain import Chain
from lashwave.quantities.answer import Answer, from_draws
from lashwave.quantities.fit import Draws

Array = NDArray[np.float64]
Index = NDArray[np.intp]

LEAST_GROWTH = 1.5
"""Ratio of the masses beyond the fold over which an exponent is asked."""
PARTS = ("hand", "start", "shortening", "taper", "other", "free_end")


def mass_beyond(chain: Chain, station: Array) -> Array:
    """Mass [kg] beyond stations (...) [m], tuft and markers included."""
    link = chain.link_mass @ [1.0, 2.0, 1.0]
    inboard = np.concatenate([[0.0], np.cumsum(link)])
    return np.asarray(inboard[-1] - np.interp(station, chain.station, inboard))


def exponent(fold: FoldDraws, chain: Chain) -> Array:
    """(n,) slope of log speed over log mass beyond; nan where the law's range is too short."""
    found = np.full(fold.station.shape[0], np.nan)
    for i, station in enumerate(fold.station):
        use = fold.valid[i] & np.isfinite(station) & (fold.relative[i] > 0.0)
        if use.sum() < LEAST_TIMES:
            continue
        mass = np.log(mass_beyond(chain, station[use]))
        if np.ptp(mass) >= np.log(LEAST_GROWTH):
            found[i] = np.polyfit(mass, np.log(fold.relative[i, use]), 1)[0]
    return found


def speed_ratio(fold: FoldDraws) -> Array:
    """(n,) median of the fold's speed over half of the tip's relative speed, law 1, while the laws
    hold."""
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(fold.valid, 2.0 * fold.speed / fold.relative, np.nan)
    return np.array(
        [np.nanmedian(row) if np.isfinite(row).sum() >= LEAST_TIMES else np.nan for row in ratio]
    )


def parts(draws: Draws, chosen: Index, fold: FoldDraws, chain: Chain, peak_time: Array) -> Array:
    """(n, 6) [m/s], `PARTS` of each draw's greatest tip speed; nan where no fold is followed.

    peak_time : (D,) [s]; the grid time nearest to it is taken.
    """
    grip = chain.handle_links
    out = np.full((chosen.size, len(PARTS)), np.nan)
    for i, d in enumerate(chosen):
        followed = np.flatnonzero(np.isfinite(fold.station[i]))
        width = np.pi * fold.radius[i]
        left = chain.station[-1] - fold.station[i]
        inner = followed[left[followed] > width[followed]]
        if inner.size < 2:
            continue
        a, b = int(inner[0]), int(inner[-1])
        k = int(np.abs(draws.time - peak_time[d]).argmin())
        tip = draws.velocity[d, k, -1].astype(float)
        along = tip / np.linalg.norm(tip)
        hand = float(draws.velocity[d, k, grip].astype(float) @ along)
        mass = mass_beyond(chain, fold.station[i, [a, b]])
        start, reached = fold.relative[i, a], fold.relative[i, b]
        short, law = np.sqrt(left[a] / left[b]), np.sqrt(mass[0] / mass[1])
        last = float(np.linalg.norm(tip)) - hand - reached
        gains = (short - 1.0, law - short)
        out[i] = (hand, start, *(start * g for g in gains), reached - start * law, last)
    return out


def answers(fold: FoldDraws, chain: Chain, shares: Array) -> dict[str, Answer]:
    """Exponent, speed ratio and parts by the names of `summary.json`."""
    slope, ratio = exponent(fold, chain), speed_ratio(fold)
    followed = float(np.isfinite(fold.station).any(axis=1).mean())
    short = "the fold is nowhere narrow against what remains beyond it for long enough"
    none = "no fold is followed along the line" if followed < 0.5 else short
    found = {
        "fold_mass_exponent": _most(slope, "1", none),
        "fold_speed_ratio": _most(ratio, "1", none),
    }
    for name, values in zip(PARTS, shares.T, strict=True):
        found[f"tip_speed_from_{name}"] = _most(values, "m s-1", "no fold is followed to its end")
    return found


def _most(values: Array, unit: str, reason: str) -> Answer:
    """From draws, null where under half of them have a value."""
    if np.isfinite(values).mean() < 0.5:
        return Answer(None, unit, reason=reason)
    return from_draws(values, unit)
