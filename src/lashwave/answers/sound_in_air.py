"""How fast is sound in this air, how well is that known, and how loud was it?"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from lashwave.mechanics import medium
from lashwave.quantities import Air, Answer, Array, Microphone, Onset, Trial

MODEL = 300e-6
"""Relative uncertainty of the speed's formula; Cramer, J. Acoust. Soc. Am. 93 (1993) 2510."""
TEMPERATURE_SD = 0.4 / np.sqrt(3.0)
"""[K]; a class B sensor is right within 0.4 K at 20 degC (IEC 60751), evenly spread (GUM 4.3.7).
The trial's description states no deviation of its air."""
HUMIDITY_SD = 0.05 / np.sqrt(3.0)
"""[1]; a capacitive sensor is right within about 5 % relative humidity, evenly spread."""
REFERENCE = 20e-6
"""[Pa]; 0 dB of sound pressure in air (ISO 1683)."""


def speed(air: Air) -> tuple[float, float]:
    """Speed of sound and its standard deviation [m/s]."""
    middle = medium(air).sound_speed
    warmer = medium(Air(air.temperature + 0.1, air.pressure, air.relative_humidity)).sound_speed
    change = 0.01 if air.relative_humidity < 0.5 else -0.01
    damp = air.relative_humidity + change
    moister = medium(Air(air.temperature, air.pressure, damp)).sound_speed
    by_humidity = (moister - middle) / change
    by_temperature = (warmer - middle) / 0.1
    sd = np.hypot(
        np.hypot(by_temperature * TEMPERATURE_SD, by_humidity * HUMIDITY_SD), MODEL * middle
    )
    return float(middle), float(sd)


def draws(middle: float, sd: float, count: int) -> Array:
    """(count,) [m/s], evenly spread normal values in a fixed, shuffled order."""
    place = (np.arange(count) + 0.5) / count
    order = np.random.default_rng(1993).permutation(count)
    return np.asarray(middle + sd * ndtri(place)[order])


def answer(middle: float, sd: float) -> Answer:
    """`speed_of_sound`."""
    half = 1.959964 * sd
    return Answer(middle, "m s-1", sd, middle - half, middle + half)


def peak_pressure(microphone: Microphone, onset: Onset) -> tuple[float, float] | None:
    """Size and standard deviation [Pa] of an onset's peak; None without a sensitivity or a peak.

    The deviation is that of the record's noise; how well the sensitivity is known is not stated.
    """
    if microphone.sensitivity is None or onset.peak is None:
        return None
    scale = microphone.full_scale / microphone.sensitivity
    return abs(onset.peak) * scale, onset.peak_sd * scale


def peaks(trial: Trial) -> dict[str, Answer]:
    """`sound_peak_pressure:MICROPHONE` and `sound_peak_level:MICROPHONE` [dB re 20 uPa]
    (by definition 20 log10(p / 20 uPa)) of the microphones' first onsets that have a peak."""
    found: dict[str, Answer] = {}
    for microphone in trial.microphones:
        onset = next((o for o in trial.onsets if o.microphone == microphone.label), None)
        if onset is None or onset.peak is None:
            continue
        names = [f"sound_peak_{what}:{microphone.label}" for what in ("pressure", "level")]
        pressure = peak_pressure(microphone, onset)
        reason = "no sensitivity is given"
        if pressure is not None and pressure[0] > 0.0:
            value, sd = pressure
            level, level_sd = 20.0 * np.log10(value / REFERENCE), 20.0 / np.log(10.0) * sd / value
            reason = f"the record is cut off: at least {value:.4g} Pa, {level:.1f} dB"
            if not onset.clipped:
                found |= {names[0]: _even(value, sd, "Pa"), names[1]: _even(level, level_sd, "dB")}
                continue
        for name, unit in zip(names, ("Pa", "dB"), strict=True):
            found[name] = Answer(None, unit, reason=reason)
    return found


def _even(value: float, sd: float, unit: str) -> Answer:
    half = 1.959964 * sd
    return Answer(float(value), unit, float(sd), float(value - half), float(value + half))
