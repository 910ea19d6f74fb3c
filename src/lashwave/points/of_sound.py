"""Onsets of a trial's sound, and what its level means for ears."""

from __future__ import annotations

import numpy as np

from lashwave.points.channels import cautions, channels
from lashwave.quantities.sightings import Onset
from lashwave.quantities.sound import Sound
from lashwave.quantities.trial import Microphone

VOLTS = 1.0
"""At full scale: what a sensitivity in V/Pa is taken with; a recorder's own gain is not known."""


def locate_onset(microphone: Microphone, sound: Sound) -> tuple[Onset | None, tuple[str, ...]]:
    """The loudest impulse of a file's first usable channel, on the lab clock; and what to know."""
    whole = 1.0 if sound.step else None
    heard = channels(sound.samples, sound.rate, full_scale=whole)
    notes = []
    for number, channel in enumerate(heard, 1):
        faults = list(channel.faults)
        if sound.bad[number - 1]:
            faults.append("not to be used: dead, with stretches dropped, or off centre")
        if faults and sound.channels > 1:
            notes.append(f"channel {number}: {'; '.join(faults)}")
        elif faults:
            notes.append("; ".join(faults))
    usable = [c for c, bad in zip(heard, sound.bad, strict=True) if c.usable and not bad]
    if not usable or usable[0].impulse is None:
        notes.append("no onset found")
        return None, _of(microphone, notes)
    impulse = usable[0].impulse
    pressure = None
    if microphone.sensitivity is not None:
        pressure = abs(impulse.peak) * VOLTS / microphone.sensitivity
        notes.append("pressures hold where the recorder's full scale is 1 V")
    notes += [*impulse.notes, *cautions(pressure, sound.rate, impulse.clipped)]
    time = microphone.clock_offset + impulse.time
    sd = float(np.hypot(impulse.sd, microphone.clock_offset_sd))
    return Onset(microphone.file, time, sd), _of(microphone, notes)


def _of(microphone: Microphone, notes: list[str]) -> tuple[str, ...]:
    name = microphone.name or microphone.file
    return tuple(f"microphone {name}: {note.rstrip('.')}." for note in notes)
