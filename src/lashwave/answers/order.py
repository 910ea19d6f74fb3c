"""In which order did it happen? Probabilities from draws of the motion.

Events, each a time of each draw (nan where the draw has none):

tuft_together : the tuft's width passes half way from its largest before to its smallest, in the
    widths that a camera gave, drawn with their standard deviations, on that camera's drawn clock.
tip_turns : the outermost part of the line turns fastest.
first_sonic : a station first moves at the speed of sound.
shock_born : a front that a camera saw was born, as each draw of the motion has it.
peak_tip_speed : the tip is fastest.
full_extension : the butt-to-tip distance is largest after the last smallest before the tip's peak.

P(A before B) is the share, of the draws that have both, in which A is first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashwave.answers.momentum import mean_over
from lashwave.quantities import (
    Answer,
    Array,
    Camera,
    Draws,
    FrontBirths,
    Trial,
    TuftWidths,
    bounded,
    bounded_all,
)

OUTERMOST = 0.03
"""Share of the line whose turning is the tip's; at least its last link."""
NEAR = 0.02
"""The tip turns within this time of its greatest speed [s]."""
TURN_SPAN = 0.3e-3
"""Of a mean over time that takes the draws' jitter from the rate of turning [s]."""
WORDS = {
    "tuft_together": "tuft draws together",
    "tip_turns": "tip turns around",
    "first_sonic": "first sonic point",
    "shock_born": "shock begins",
    "peak_tip_speed": "peak tip speed",
    "full_extension": "full extension",
}


@dataclass(frozen=True)
class Order:
    """Events and the order that draws have them in."""

    events: tuple[str, ...]
    happened: Array
    """(E,) probability of each event within the record."""
    before: Array
    """(E, E) P(row before column); nan on the diagonal and where no draw has both."""
    likeliest: tuple[str, ...]
    """The most frequent order of the events that most draws have."""
    probability: float
    """Its share of the draws that have them all; nan where none has."""
    draws: int
    """How many there are. Every probability is bounded as `chance.bounded` says."""


def tip_turns(draws: Draws, peak_time: Array) -> Array:
    """(D,) [s], when the chord of the outermost part turns fastest, near the peak of tip speed."""
    reach = draws.station[-1] - OUTERMOST * (draws.station[-1] - draws.station[0])
    inner = min(int(np.searchsorted(draws.station, reach)), draws.station.size - 2)
    chord = (draws.position[:, :, -1] - draws.position[:, :, inner]).astype(float)
    rate = (draws.velocity[:, :, -1] - draws.velocity[:, :, inner]).astype(float)
    turn = np.linalg.norm(np.cross(chord, rate), axis=-1)
    turn /= np.maximum((chord * chord).sum(-1), 1e-12)
    turn = mean_over(draws.time, turn, TURN_SPAN)
    near = np.abs(draws.time - peak_time[:, None]) <= NEAR
    return np.asarray(draws.time[np.where(near, turn, -1.0).argmax(axis=1)])


def tuft_together(camera: Camera, draws: Draws) -> Array | None:
    """(D,) [s] on the lab clock; None where the camera gave no widths."""
    if camera.tuft is None or camera.tuft.frame.size < 5:
        return None
    random = np.random.default_rng(2)
    count = draws.position.shape[0]
    offset = draws.shared.get(f"clock_offset:{camera.name}", np.full(count, camera.clock.offset))
    drift = draws.shared.get(f"clock_drift:{camera.name}", np.zeros(count))
    frame = np.array([_half_way(camera.tuft, random) for _ in range(count)])
    return np.asarray(offset + (1.0 + drift) * camera.counted(frame) / camera.rate)


def _half_way(tuft: TuftWidths, random: np.random.Generator) -> float:
    """Frame at which one draw of the widths falls through the middle of its largest and smallest;
    nan where the smallest comes first. Medians over five frames, against single outliers."""
    from scipy.ndimage import median_filter

    width = tuft.width + tuft.sd * random.standard_normal(tuft.width.size)
    width = median_filter(width, 5, mode="nearest")
    small = int(width.argmin())
    if small == 0:
        return float("nan")
    large = int(width[:small].argmax())
    middle = 0.5 * (width[large] + width[small])
    k = large + int((width[large : small + 1] <= middle).argmax())
    if k == 0:
        return float("nan")
    share = (width[k - 1] - middle) / max(width[k - 1] - width[k], 1e-15)
    return float(tuft.frame[k - 1] + share * (tuft.frame[k] - tuft.frame[k - 1]))


def events(
    trial: Trial, draws: Draws, turns: Array, sonic: Array, peak_time: Array, extension: Array
) -> dict[str, Array]:
    """Times (D,) [s] of the events that the motion and the tuft tell, nan where a draw has none.

    turns : (D,) [s], of `tip_turns`.
    """
    found: dict[str, Array] = {}
    for camera in trial.cameras:
        together = tuft_together(camera, draws)
        if together is not None and "tuft_together" not in found:
            found["tuft_together"] = together
    found["tip_turns"] = turns
    found["first_sonic"] = sonic
    found["peak_tip_speed"] = peak_time
    found["full_extension"] = np.where(np.isfinite(extension), extension, np.nan)
    return found


def with_front(found: dict[str, Array], births: dict[str, FrontBirths]) -> dict[str, Array]:
    """The events and, where one was seen, the birth of a front, draw by draw (D,) [s].

    A front also tells how late a draw's motion is: the motion's events move with it, so that they
    and the birth are of one joint draw. A tuft is timed by the camera that sees the front, too.

    Parameters
    ----------
    births : by camera. Of several cameras the one that has the earliest counts: they see one crack.
    """
    known = [b for b in births.values() if np.isfinite(b.time).any()]
    if not known:
        return found
    first = min(known, key=lambda b: float(np.nanmedian(b.time)))
    late = np.nan_to_num(first.late)
    every = {n: t if n == "tuft_together" else t + late for n, t in found.items()}
    every["shock_born"] = first.time
    return {name: every[name] for name in WORDS if name in every}


def order(found: dict[str, Array]) -> Order:
    """The table of probabilities of events (D,) [s] each."""
    names = tuple(found)
    times = np.stack([found[name] for name in names])
    known = np.isfinite(times)
    before = np.full((len(names), len(names)), np.nan)
    for a in range(len(names)):
        for b in range(len(names)):
            both = known[a] & known[b]
            if a != b and both.any():
                first, second = times[a, both], times[b, both]
                share = float(((first < second) + 0.5 * (first == second)).mean())
                before[a, b] = bounded(share, int(both.sum()))
    count = times.shape[1]
    happened = known.mean(axis=1)
    usual = np.flatnonzero(happened >= 0.5)
    happened = bounded_all(happened, np.array(count))
    whole = known[usual].all(axis=0)
    if not whole.any() or usual.size < 2:
        return Order(names, happened, before, (), float("nan"), count)
    ranks = np.argsort(times[usual][:, whole], axis=0, kind="stable").T
    every, counts = np.unique(ranks, axis=0, return_counts=True)
    top = int(counts.argmax())
    likeliest = tuple(names[usual[i]] for i in every[top])
    chance = bounded(float(counts[top] / whole.sum()), int(whole.sum()))
    return Order(names, happened, before, likeliest, chance, count)


def answers(table: Order) -> dict[str, Answer]:
    """The probabilities that papers ask for, as values without an interval."""
    asked = {
        "sonic_before_full_extension": ("first_sonic", "full_extension"),
        "sonic_before_tip_turns": ("first_sonic", "tip_turns"),
        "tip_turns_before_full_extension": ("tip_turns", "full_extension"),
        "peak_speed_before_full_extension": ("peak_tip_speed", "full_extension"),
    }
    if "shock_born" in table.events:
        asked["sonic_before_shock_born"] = ("first_sonic", "shock_born")
        asked["tip_turns_before_shock_born"] = ("tip_turns", "shock_born")
    if "tuft_together" in table.events:
        asked["tuft_together_before_shock_born"] = ("tuft_together", "shock_born")
        asked["tuft_together_before_sonic"] = ("tuft_together", "first_sonic")
    return {
        f"probability_{name}": _chance(table, *pair)
        for name, pair in asked.items()
        if pair[0] in table.events and pair[1] in table.events
    }


def _chance(table: Order, first: str, second: str) -> Answer:
    a, b = table.events.index(first), table.events.index(second)
    value = float(table.before[a, b])
    if min(table.happened[[a, b]]) < 0.5 or not np.isfinite(value):
        which = first if table.happened[a] <= table.happened[b] else second
        return Answer(None, "1", reason=f"most draws have no such event: {WORDS[which]}")
    return Answer(value, "1")
