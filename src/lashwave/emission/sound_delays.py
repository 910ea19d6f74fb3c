"""What microphones heard: by how much each sound came late, and where and when it was born."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.emission.sound_place import UNKNOWN, arrival, place_of_sound
from lashwave.quantities import (
    Answer,
    Array,
    Draws,
    Microphone,
    Onset,
    SonicDraws,
    Trial,
    interpolate,
)

BORN = {"time": "s", "x": "m", "y": "m", "z": "m"}
"""Answers `sound_birth_...`, and their units."""
LEAST_SD = 1e-6
"""Of an onset beside its recorder's clock [s]: a hand-written table may give the clock's alone."""
LED, LOUD, STEP = 0.2e-3, 3e-3, 2e-6
"""Before and after the sonic moment, while a tip may outrun its sound; between wavelets [s]."""
DEEP = 20e-6
"""A tip that outruns its sound by less [s] makes no front that is heard."""
LATE = 100e-6
"""[s]; where there is no front sound swells, and its onset was picked 2 to 85 us late on the twin
(seeds 2, 5, 8 and 10)."""
SLACK = 4.0
"""Standard deviations beyond the way between two microphones that tell two events apart."""
BADLY = 3.0
"""Misfit in standard deviations from which a place is doubted."""


def sounds_heard(
    trial: Trial, draws: Draws, sonic: SonicDraws, sound: tuple[float, float]
) -> tuple[dict[str, Answer], list[str]]:
    """Answers of sound, and warnings.

    `sound_delay:MICROPHONE`, by which a sound came later than a wavelet from the first sonic moment
    would; `sound_shock_delay:MICROPHONE`, by which it came later than the front that the moving tip
    sends there; where two microphones or more have an onset, `sound_birth_time` and
    `sound_birth_x`, `_y`, `_z` (lab frame), null where they do not tell.

    Parameters
    ----------
    sound : speed of sound and its standard deviation [m/s].
    """
    first: dict[str, Onset] = {}
    for onset in trial.onsets:
        first.setdefault(onset.microphone, onset)
    pairs = [(m, first[m.label]) for m in trial.microphones if m.label in first]
    places = _places(draws, sonic)
    leads = np.array([_leads(draws, sonic, places, m.position, sound[0]) for m, _ in pairs])
    answers = _delays(pairs, sonic, places, leads, sound)
    if len(pairs) < 2:
        return answers, []
    source, warnings = birth_of_sound(pairs, sound, leads)
    return answers | source, warnings


def _places(draws: Draws, sonic: SonicDraws) -> Array:
    """(D, 3) [m] where each draw's line first moves at the speed of sound; else nan."""
    places = np.full((sonic.time.size, 3), np.nan)
    for d in np.flatnonzero(np.isfinite(sonic.time)):
        s = int(np.abs(draws.station - sonic.station[d]).argmin())
        track = draws.position[d][:, [s]].astype(float), draws.velocity[d][:, [s]].astype(float)
        places[d] = interpolate(draws.time, *track, np.array([sonic.time[d]]))[0][0, 0]
    return places


def _leads(
    draws: Draws, sonic: SonicDraws, places: Array, microphone: Array, sound: float
) -> Array:
    """(D,) of `front_lead`; nan in draws without a sonic moment."""
    found = np.full(sonic.time.size, np.nan)
    for d in np.flatnonzero(np.isfinite(places).all(axis=1)):
        tip = draws.position[d][:, -1:].astype(float), draws.velocity[d][:, -1:].astype(float)
        when = float(sonic.time[d])
        found[d] = front_lead((draws.time, *tip), when, places[d], microphone, sound)
    return found


def front_lead(
    track: tuple[Array, Array, Array],
    sonic_time: float,
    sonic_place: Array,
    microphone: Array,
    sound: float,
) -> float:
    """By how much a tip's front comes later than a wavelet from the sonic moment [s].

    A tip that comes on faster than sound runs ahead of what it sent: the front that arrives first
    was sent at the last moment at which it came on at the speed of sound, where tau + R / c is
    least (dt/dtau = 1 - M_r). Under 0 where the tip comes straight on; infinite where
    it does not come on faster than sound for long enough to make a front.

    Parameters
    ----------
    track : times (T,) [s], positions (T, 1, 3) [m] and velocities (T, 1, 3) [m/s] of the tip.
    """
    sent = np.arange(sonic_time - LED, min(sonic_time + LOUD, float(track[0][-1])), STEP)
    if sent.size < 3:
        return np.inf
    place = interpolate(*track, sent)[0][:, 0]
    arrive = sent + np.linalg.norm(place - microphone, axis=1) / sound
    piled = np.maximum.accumulate(arrive) - arrive
    deep = np.flatnonzero(piled[1:-1] > DEEP) + 1
    least = deep[(arrive[deep] <= arrive[deep - 1]) & (arrive[deep] < arrive[deep + 1])]
    if least.size == 0:
        return np.inf
    at_once = sonic_time + float(np.linalg.norm(sonic_place - microphone)) / sound
    return float(arrive[least].min()) - at_once


def _delays(
    pairs: list[tuple[Microphone, Onset]],
    sonic: SonicDraws,
    places: Array,
    leads: Array,
    sound: tuple[float, float],
) -> dict[str, Answer]:
    """Onsets less the predicted arrivals."""
    answers = {}
    for (microphone, onset), lead in zip(pairs, leads, strict=True):
        front = sonic.time + np.where(np.isfinite(lead), lead, np.nan)
        for name, sent in (("delay", sonic.time), ("shock_delay", front)):
            late = arrival(onset.time, onset.sd, microphone.position, sent, places, *sound)
            if late is None:
                continue
            half = 1.96 * late.sd
            answers[f"sound_{name}:{microphone.label}"] = Answer(
                late.difference, "s", late.sd, late.difference - half, late.difference + half
            )
    return answers


def birth_of_sound(
    pairs: list[tuple[Microphone, Onset]], sound: tuple[float, float], leads: Array
) -> tuple[dict[str, Answer], list[str]]:
    """`sound_birth_time`, `sound_birth_x`, `_y`, `_z` from microphones and their onsets.

    A source that outruns its sound sends each microphone its front from another place: each onset
    is taken back by the lead (M, D) [s] that the motion gives it, whose spread over the draws adds
    to the onsets' covariance. Without a sonic moment in half of the draws it is taken as it is.

    One sound reaches two microphones at most the way between them apart; onsets that do not are
    another event's, and those of the fewest microphones are left out.
    """
    taken, spread = _taken_back(pairs, leads)
    use, out = _one_event(taken, spread, sound[0])
    kept, left = [taken[i] for i in use], [taken[i] for i in out]
    warnings = [
        f"microphone {m.label}: its onset lies out of the others' reach, another event's; it is "
        "left out of the sound's place of birth"
        for m, _ in left
    ]
    if len(kept) < UNKNOWN:
        count = f"{len(kept)} microphones with an onset of one event"
        return _null(f"{count}: {UNKNOWN} are needed for place and time"), warnings
    where = np.array([m.position for m, _ in kept])
    when = np.array([o.time for _, o in kept])
    source = place_of_sound(where, when, spread[np.ix_(use, use)], *sound)
    if not np.isfinite(source.time):
        return _null(source.reason or "not determined"), warnings
    if source.others.size:
        places = "; ".join(", ".join(f"{x:.2f}" for x in p) for p in source.others[:3])
        warnings.append(f"the sound may as well have begun at ({places}) m: add a microphone")
    if source.misfit > BADLY:
        warnings.append(
            f"the onsets fit one place of birth within {source.misfit:.1f} of their "
            "deviations only; "
            "it is less sure than its interval"
        )
    value = np.array([source.time, *source.place])
    sd = np.sqrt(np.diag(source.covariance)[[3, 0, 1, 2]])
    return {
        f"sound_birth_{name}": Answer(float(v), unit, float(s), float(v - 1.96 * s),
                                      float(v + 1.96 * s))
        for (name, unit), v, s in zip(BORN.items(), value, sd, strict=True)
    }, warnings  # fmt: skip


def _null(reason: str) -> dict[str, Answer]:
    return {f"sound_birth_{name}": Answer(None, unit, reason=reason) for name, unit in BORN.items()}


def covariance(pairs: list[tuple[Microphone, Onset]]) -> Array:
    """(M, M) [s2] of onsets, whose clocks are common to the microphones of a recorder."""
    clock = np.array([m.clock_offset_sd for m, _ in pairs])
    own = np.array([o.sd for _, o in pairs]) ** 2 - clock**2
    names = [m.shared_clock for m, _ in pairs]
    same = np.array([[a == b for b in names] for a in names])
    return np.asarray(np.where(same, np.outer(clock, clock), 0.0)) + np.diag(
        np.maximum(own, LEAST_SD**2)
    )


def _taken_back(
    pairs: list[tuple[Microphone, Onset]], leads: Array
) -> tuple[list[tuple[Microphone, Onset]], Array]:
    """Onsets as a wavelet from the sonic moment would have come, and their covariance (M, M)."""
    spread = covariance(pairs)
    sonic = ~np.isnan(leads).any(axis=0)
    if sonic.mean() < 0.5 or sonic.sum() < 2:
        return pairs, spread
    leads = leads[:, sonic]
    front = np.isfinite(leads)
    has = front.mean(axis=1) > 0.5
    middle = np.array(
        [np.median(x[f]) if h else 0.0 for x, f, h in zip(leads, front, has, strict=True)]
    )
    full = np.where(front & has[:, None], leads, middle[:, None])
    taken = [(m, replace(o, time=o.time - x)) for (m, o), x in zip(pairs, middle, strict=True)]
    return taken, spread + np.cov(full) + np.diag(np.where(has, 0.0, LATE) ** 2)


def _one_event(
    pairs: list[tuple[Microphone, Onset]], spread: Array, sound: float
) -> tuple[list[int], list[int]]:
    """Which microphones' onsets can be one sound's, and which cannot."""
    kept, left = list(range(len(pairs))), []
    sd = np.sqrt(np.diag(spread)[:, None] + np.diag(spread) - 2.0 * spread)
    where = np.array([m.position for m, _ in pairs])
    way = np.linalg.norm(where[:, None] - where, axis=-1) / sound
    when = np.array([o.time for _, o in pairs])
    apart = np.abs(when[:, None] - when) > way + SLACK * sd
    while apart[np.ix_(kept, kept)].any():
        odd = apart[np.ix_(kept, kept)].sum(axis=1)
        worst = [kept[i] for i in np.flatnonzero(odd == odd.max())]
        # Of two that contradict each other alone, the later is the likelier echo.
        left.append(max(worst, key=lambda i: when[i]))
        kept.remove(left[-1])
    return kept, left
