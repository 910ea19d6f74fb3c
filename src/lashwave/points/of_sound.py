"""Onsets of a trial's sound, and what is wrong with its channels."""

from __future__ import annotations

import numpy as np

from lashwave.points.clock_sound.channels import Channel, channels
from lashwave.quantities.errors import InputError
from lashwave.quantities.sightings import Onset
from lashwave.quantities.sound import Sound
from lashwave.quantities.trial import Microphone


def locate_onset(microphone: Microphone, sound: Sound) -> tuple[Onset | None, tuple[str, ...]]:
    """The loudest impulse of a microphone's channel, on the lab clock; and what to know.

    Where no channel is named it is the file's first usable one.

    Raises
    ------
    InputError
        Where the file has no such channel.
    """
    # The highest value that whole numbers reach; the lowest is one step beyond it.
    whole = 1.0 - sound.step if sound.step else None
    heard = channels(sound.samples, sound.rate, full_scale=whole)
    wanted = _wanted(microphone, sound.channels)
    notes = []
    for number in wanted:
        faults = list(heard[number].faults)
        if sound.bad[number]:
            faults.append("not to be used: dead, with stretches dropped, or off centre")
        if faults and sound.channels > 1:
            notes.append(f"channel {number + 1}: {'; '.join(faults)}")
        elif faults:
            notes.append("; ".join(faults))
    usable = [n for n in wanted if heard[n].usable and not sound.bad[n]]
    if not usable:
        notes.append("no onset found")
        return None, _of(microphone, notes)
    onset, said = _onset(microphone, heard[usable[0]], sound.rate)
    return onset, _of(microphone, [*notes, *said])


def _wanted(microphone: Microphone, count: int) -> range:
    """The channels, from 0, that may be this microphone's."""
    if microphone.channel is None:
        return range(count)
    if microphone.channel > count:
        raise InputError(
            microphone.file,
            f"has {count} channel{'s' if count > 1 else ''}, and channel {microphone.channel} is "
            "asked for",
            f"name one from 1 to {count}",
            field="channel",
        )
    return range(microphone.channel - 1, microphone.channel)


def _onset(microphone: Microphone, channel: Channel, rate: float) -> tuple[Onset, tuple[str, ...]]:
    impulse = channel.impulse
    assert impulse is not None  # a usable channel has one
    onset = Onset(
        microphone.label,
        microphone.clock_offset + impulse.time,
        float(np.hypot(impulse.sd, microphone.clock_offset_sd)),
        impulse.peak,
        impulse.peak_sd,
        impulse.clipped,
        rate,
    )
    # What is cut off was said of the channel.
    return onset, tuple(note for note in impulse.notes if "cut off" not in note)


def _of(microphone: Microphone, notes: list[str]) -> tuple[str, ...]:
    return tuple(f"microphone {microphone.label}: {note.rstrip('.')}." for note in notes)
