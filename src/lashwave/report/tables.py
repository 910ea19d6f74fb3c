"""The table of answers: the names of `summary.json`, what each means, in groups."""

from __future__ import annotations

from dataclasses import dataclass

from lashwave.quantities.answer import Answer
from lashwave.report import numbers

TIP, HAND, SENT, CLOCKS, FITTED, OTHER = (
    "Tip and crack",
    "Hand and energy",
    "Fronts and sound",
    "Clocks and cameras",
    "Fitted over stated",
    "Other",
)
MEANINGS: dict[str, tuple[str, str]] = {
    "peak_tip_speed": (TIP, "largest speed of the tip"),
    "peak_tip_speed_time": (TIP, "when that is"),
    "peak_tip_mach": (TIP, "the same over the speed of sound"),
    "peak_tip_speed_100us": (TIP, "largest mean speed of the tip over 100 µs"),
    "peak_speed": (TIP, "largest speed of any station"),
    "sonic_time": (TIP, "first moment at which any station moves at the speed of sound"),
    "sonic_station": (TIP, "where that is, from the butt"),
    "extension_at_sonic": (TIP, "butt-to-tip distance over length at that moment"),
    "full_extension_time": (TIP, "largest butt-to-tip distance after the smallest"),
    "speed_of_sound": (TIP, "in the trial's air"),
    "peak_grip_tension": (HAND, "largest pull behind the grip up to the peak of the tip speed"),
    "hand_impulse": (HAND, "size of the integral of the hand's force, gravity's share included"),
    "hand_work": (HAND, "work of the hand's force and torque on grip and line"),
    "peak_kinetic_energy": (HAND, "largest kinetic energy of grip and line"),
    "sound_birth_time": (SENT, "when the sound was born, by several microphones"),
    "sound_birth_x": (SENT, "where, in the lab"),
    "sound_birth_y": (SENT, "where, in the lab"),
    "sound_birth_z": (SENT, "where, in the lab"),
    "drag_normal": (FITTED, "drag across the line"),
    "drag_tangential": (FITTED, "drag along the line"),
    "drag_tuft": (FITTED, "drag of the tuft"),
    "stiffness_scale": (FITTED, "bending stiffness"),
    "damping_time": (FITTED, "damping of bending"),
}
PREFIXES: dict[str, str] = {
    "clock_offset": "lab time of frame 0",
    "clock_drift": "drift of the clock",
    "registration_u": "image offset, to the right",
    "registration_v": "image offset, down",
}
OF_SENT: dict[str, str] = {
    "front_birth_time": "when the front was born, seen by",
    "front_birth_station": "where that is, from the butt, seen by",
    "sound_peak_pressure": "peak pressure at",
    "sound_peak_level": "peak level re 20 µPa at",
    "sound_delay": "onset after that of a wavelet from the first sonic moment, at",
    "sound_front_delay": "onset after the front that the moving tip sends, at",
}


@dataclass(frozen=True)
class Row:
    """One answer as printed."""

    name: str
    meaning: str
    value: str
    sd: str
    interval: str
    unit: str
    probability: str
    missing: bool


def meaning(name: str) -> tuple[str, str]:
    """The group of an answer, and what it means."""
    if name in MEANINGS:
        return MEANINGS[name]
    stem, colon, camera = name.partition(":")
    if colon and stem in PREFIXES:
        return CLOCKS, f"{PREFIXES[stem]}, {camera}"
    if colon and stem in OF_SENT:
        return SENT, f"{OF_SENT[stem]} {camera}"
    return OTHER, ""


def row(name: str, answer: Answer) -> Row:
    """An answer's row; where there is no value, the reason stands in its place."""
    value = answer.value
    places = 0 if value is None else numbers.decimals(answer.sd, value)
    chance = answer.probability
    return Row(
        name=name,
        meaning=meaning(name)[1],
        value=(answer.reason or "not determined")
        if value is None
        else numbers.fixed(value, places),
        sd="–" if value is None else numbers.fixed(answer.sd, places),
        interval=numbers.interval(answer),
        unit=numbers.unit(answer.unit),
        probability="" if chance is None else numbers.percent(chance),
        missing=value is None,
    )


def groups(answers: dict[str, Answer]) -> list[tuple[str, list[Row]]]:
    """All answers as rows, in groups; within a group in the order of the contract."""
    order = [*MEANINGS, *answers]
    found: dict[str, list[Row]] = {}
    for name in sorted(answers, key=order.index):
        found.setdefault(meaning(name)[0], []).append(row(name, answers[name]))
    return [(g, found[g]) for g in (TIP, HAND, SENT, CLOCKS, FITTED, OTHER) if g in found]
