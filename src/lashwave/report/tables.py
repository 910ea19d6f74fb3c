"""The table of answers: the names of `summary.json`, what each means, in groups."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lashwave.answers.order import WORDS
from lashwave.quantities.answer import Answer
from lashwave.report import numbers

if TYPE_CHECKING:
    import xarray as xr

TIP, SOUND, HAND, WAVE, ORDER, CLOCKS, FITTED, OTHER = GROUPS = (
    "Tip and crack",
    "Fronts and sounds",
    "Hand and energy",
    "Fold",
    "Order of events",
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
    "peak_tip_acceleration": (TIP, "largest mean acceleration of the tip over 0.2 ms"),
    "angle_at_sonic": (TIP, "angle of butt to tip above the horizontal at the first sonic moment"),
    "peak_hand_torque": (HAND, "largest torque of the hand about the butt, mean over 10 ms"),
    "stored_energy": (HAND, "change of kinetic, gravitational and bending energy"),
    "drag_loss": (HAND, "lost to the air, the tuft's apart"),
    "tuft_loss": (HAND, "lost by the tuft to the air"),
    "damping_loss": (HAND, "lost to damping of bending"),
    "unexplained_work": (HAND, "work of the hand less stored and lost energy"),
    "peak_bending_energy": (HAND, "largest energy stored in bending"),
    "fold_mass_exponent": (WAVE, "slope of log tip speed over log mass beyond the fold; law −1/2"),
    "fold_speed_ratio": (WAVE, "speed of the fold over half of the tip's; law 1"),
    "tip_speed_from_hand": (WAVE, "of the peak tip speed: velocity of the hand"),
    "tip_speed_from_start": (WAVE, "of it: speed as the fold was first followed"),
    "tip_speed_from_shortening": (WAVE, "of it: less line beyond the fold, by the law"),
    "tip_speed_from_taper": (WAVE, "of it: that line being lighter too, by the law"),
    "tip_speed_from_other": (WAVE, "of it: hand, air, gravity, bending while the fold ran"),
    "tip_speed_from_free_end": (WAVE, "of it: gained with under one width of the fold left"),
    "sound_birth_time": (SOUND, "when the sound was born, by several microphones"),
    "sound_birth_x": (SOUND, "where, in the lab"),
    "sound_birth_y": (SOUND, "where, in the lab"),
    "sound_birth_z": (SOUND, "where, in the lab"),
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
OF_SOUND: dict[str, str] = {
    "front_birth_time": "when the front was born, seen by",
    "front_birth_station": "where that is, from the butt, seen by",
    "front_speed": "speed of the front along its normal, seen by",
    "front_overpressure": "rise of pressure behind it by that speed, seen by",
    "mach_from_cone": "tip's Mach number across the view by a straight front, seen by",
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
    if name.startswith("probability_"):
        return ORDER, name.removeprefix("probability_").replace("_", " ")
    stem, colon, camera = name.partition(":")
    if colon and stem in PREFIXES:
        return CLOCKS, f"{PREFIXES[stem]}, {camera}"
    if colon and stem in OF_SOUND:
        return SOUND, f"{OF_SOUND[stem]} {camera}"
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
    return [(g, found[g]) for g in GROUPS if g in found]


@dataclass(frozen=True)
class Grid:
    """A plain table: a head, and rows whose first cell names them."""

    head: list[str]
    rows: list[list[str]]


def order(lists: xr.Dataset) -> Grid | None:
    """Probabilities that the event of a row comes before that of a column."""
    if "probability_before" not in lists:
        return None
    names = [WORDS.get(str(e), str(e)) for e in lists["event"].values]
    head = ["comes before →", *names, "happens at all"]
    rows = []
    happened = lists["probability_of_event"].values
    for name, chances, chance in zip(
        names, lists["probability_before"].values, happened, strict=True
    ):
        cells = ["–" if np.isnan(p) else numbers.percent(float(p)) for p in chances]
        rows.append([name, *cells, numbers.percent(float(chance))])
    return Grid(head, rows)
