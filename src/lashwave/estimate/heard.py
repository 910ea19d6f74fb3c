"""What microphones heard: by how much each sound came late, and where and when it was born."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate.sound_place import UNKNOWN, arrival, place_of_sound
from lashwave.quantities.answer import Answer
from lashwave.quantities.fit import Draws
from lashwave.quantities.motion import interpolate
from lashwave.quantities.sightings import Onset
from lashwave.quantities.trial import Microphone, Trial

Array = NDArray[np.float64]

BORN = {"time": "s", "x": "m", "y": "m", "z": "m"}
"""Answers `sound_birth_...`, and their units."""
LEAST_SD = 1e-6
"""Of an onset beside its recorder's clock [s]: a hand-written table may give the clock's alone."""
SLACK = 4.0
"""Standard deviations beyond the way between two microphones that tell two events apart."""
BADLY = 3.0
"""Misfit in standard deviations from which a place is doubted."""


@dataclass(frozen=True)
class Sonic:
    """The first sonic moment of each draw, nan where it has none."""

    time: Array
    """(D,) [s]"""
    station: Array
    """(D,) [m]"""


def heard(
    trial: Trial, draws: Draws, sonic: Sonic, sound: tuple[float, float]
) -> tuple[dict[str, Answer], list[str]]:
    """Answers of sound, and warnings.

    `sound_delay:MICROPHONE`, by which a sound came later than the first sonic moment lets expect;
    where two microphones or more have an onset, `sound_birth_time` and `sound_birth_x`, `_y`, `_z`
    (lab frame), null where they do not tell.

    Parameters
    ----------
    sound : speed of sound and its standard deviation [m/s].
    """
    first: dict[str, Onset] = {}
    for onset in trial.onsets:
        first.setdefault(onset.microphone, onset)
    pairs = [(m, first[m.label]) for m in trial.microphones if m.label in first]
    answers = _delays(pairs, draws, sonic, sound)
    if len(pairs) < 2:
        return answers, []
    born, warnings = birth_of_sound(pairs, sound)
    return answers | born, warnings


def _delays(
    pairs: list[tuple[Microphone, Onset]], draws: Draws, sonic: Sonic, sound: tuple[float, float]
) -> dict[str, Answer]:
    """Onsets less the arrivals predicted from the first sonic moment."""
    places = np.full((sonic.time.size, 3), np.nan)
    for d in np.flatnonzero(np.isfinite(sonic.time)):
        s = int(np.abs(draws.station - sonic.station[d]).argmin())
        track = draws.position[d][:, [s]].astype(float), draws.velocity[d][:, [s]].astype(float)
        places[d] = interpolate(draws.time, *track, np.array([sonic.time[d]]))[0][0, 0]
    answers = {}
    for microphone, onset in pairs:
        late = arrival(onset.time, onset.sd, microphone.position, sonic.time, places, *sound)
        if late is None:
            continue
        half = 1.96 * late.sd
        answers[f"sound_delay:{microphone.label}"] = Answer(
            late.difference, "s", late.sd, late.difference - half, late.difference + half
        )
    return answers


def birth_of_sound(
    pairs: list[tuple[Microphone, Onset]], sound: tuple[float, float]
) -> tuple[dict[str, Answer], list[str]]:
    """`sound_birth_time`, `sound_birth_x`, `_y`, `_z` from microphones and their onsets.

    One sound reaches two microphones at most the way between them apart; onsets that do not are
    another event's, and those of the fewest microphones are left out.
    """
    kept, left = _one_event(pairs, sound[0])
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
    born = place_of_sound(where, when, covariance(kept), *sound)
    if not np.isfinite(born.time):
        return _null(born.reason or "not determined"), warnings
    if born.others.size:
        places = "; ".join(", ".join(f"{x:.2f}" for x in p) for p in born.others[:3])
        warnings.append(f"the sound may as well have been born at ({places}) m: add a microphone")
    if born.misfit > BADLY:
        warnings.append(
            f"the onsets fit one place of birth within {born.misfit:.1f} of their deviations only; "
            "it is less sure than its interval"
        )
    value = np.array([born.time, *born.place])
    sd = np.sqrt(np.diag(born.covariance)[[3, 0, 1, 2]])
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


def _one_event(
    pairs: list[tuple[Microphone, Onset]], sound: float
) -> tuple[list[tuple[Microphone, Onset]], list[tuple[Microphone, Onset]]]:
    """Microphones whose onsets can be one sound's, and the others."""
    kept, left = list(pairs), []
    while len(kept) > 1:
        spread = covariance(kept)
        sd = np.sqrt(np.diag(spread)[:, None] + np.diag(spread) - 2.0 * spread)
        where = np.array([m.position for m, _ in kept])
        way = np.linalg.norm(where[:, None] - where, axis=-1) / sound
        when = np.array([o.time for _, o in kept])
        apart = np.abs(when[:, None] - when) - way - SLACK * sd
        odd = (apart > 0.0).sum(axis=1)
        if not odd.any():
            break
        worst = np.flatnonzero(odd == odd.max())
        # Of two that contradict each other alone, the later is the likelier echo.
        left.append(kept.pop(int(worst[np.argmax(when[worst])])))
    return kept, left
