"""Which channels of a recording can be used, its onset, and cautions for ears by its levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from lashwave.points.clock_sound.clock_settings import SOUND, SoundSettings
from lashwave.points.clock_sound.onsets import Impulse, clipped_samples, impulse, sound_level
from lashwave.quantities import InputError, Microphone, Onset, Sound


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
    judged = judged_channels(sound.samples, sound.rate, full_scale=whole)
    wanted = _wanted(microphone, sound.channels)
    notes = []
    for number in wanted:
        faults = list(judged[number].faults)
        if sound.bad[number]:
            faults.append("not to be used: dead, with stretches dropped, or off centre")
        if faults and sound.channels > 1:
            notes.append(f"channel {number + 1}: {'; '.join(faults)}")
        elif faults:
            notes.append("; ".join(faults))
    usable = [n for n in wanted if judged[n].usable and not sound.bad[n]]
    if not usable:
        notes.append("no onset found")
        return None, _of(microphone, notes)
    onset, said = _onset(microphone, judged[usable[0]], sound.rate)
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


@dataclass(frozen=True)
class Channel:
    """One channel: its impulse, where it has one, and its faults."""

    impulse: Impulse | None
    faults: tuple[str, ...]

    @property
    def usable(self) -> bool:
        """Whether its onset can be used; a clipped channel's can, its peak cannot."""
        return self.impulse is not None and all(f.startswith("clipped") for f in self.faults)


def judged_channels(
    samples: ArrayLike,
    rate: float,
    between: tuple[float, float] | None = None,
    full_scale: float | None = None,
    reach: float | None = None,
    settings: SoundSettings = SOUND,
) -> tuple[Channel, ...]:
    """The impulse of each channel, and which channels are faulty.

    Parameters
    ----------
    samples : (N, C); rate : [Hz]; between, full_scale : as for `impulse`.
    reach : greatest distance between two microphones over the speed of sound [s], where known:
        an onset further than that from the others' middle belongs to another event.
    """
    x = np.asarray(samples, dtype=float)
    found = [
        impulse(x[:, c], rate, between, full_scale, settings=settings) for c in range(x.shape[1])
    ]
    impulses = [f for f in found if f is not None]
    quiet = float(np.median([f.noise for f in impulses])) if impulses else np.nan
    loud = float(np.median([abs(f.peak) for f in impulses])) if impulses else np.nan
    times = np.array([f.time for f in impulses])
    result = []
    for c, one in enumerate(found):
        faults = []
        if np.ptp(x[:, c]) == 0.0:
            faults.append("dead: one value throughout")
        cut = clipped_samples(x[:, c], full_scale)
        if cut:
            faults.append(f"clipped: {cut} sample{'s' if cut > 1 else ''}")
        if one is None:
            faults.append("no impulse above the quiet")
        else:
            if 20 * np.log10(one.noise / quiet) > settings.noisy:
                faults.append(f"noisy: {20 * np.log10(one.noise / quiet):.0f} dB over the others")
            if 20 * np.log10(loud / abs(one.peak)) > settings.weak:
                faults.append(
                    f"weak: {20 * np.log10(loud / abs(one.peak)):.0f} dB under the others"
                )
            if reach is not None and abs(one.time - np.median(times)) > reach + 3 * one.sd:
                faults.append("another event: its onset lies out of the others' reach")
        result.append(Channel(one, tuple(faults)))
    return tuple(result)


LIMITS = (
    (130.0, "Norway's limit for peaks, 130 dB(C) (Regulations on action and limit values, 2-2)"),
    (135.0, "the EU's lower action value, 135 dB(C) (Directive 2003/10/EC, Art. 3)"),
    (137.0, "the EU's upper action value, 137 dB(C) (Directive 2003/10/EC, Art. 3)"),
    (140.0, "the EU's limit, 140 dB(C) (Directive 2003/10/EC, Art. 3), and the US's for impulses, "
     "140 dB (29 CFR 1910.95)"),
)  # fmt: skip
"""Peak levels [dB] at the ear that rules name."""


def cautions(pressure: float | None, rate: float, clipped: bool = False) -> tuple[str, ...]:
    """What a peak pressure means for hearing, in sentences; a caution, not an assessment.

    Parameters
    ----------
    pressure : peak at the microphone [Pa]; None where no sensitivity is given.
    rate : samples a second [Hz].
    """
    if pressure is None:
        return ("No sensitivity is given, so no level can be stated; a crack can harm hearing.",)
    peak = float(sound_level(pressure))
    words = [f"Peak level at the microphone: {'at least ' * clipped}{peak:.1f} dB re 20 uPa."]
    over = [text for limit, text in LIMITS if peak >= limit]
    if over:
        words.append(f"This reaches {'; '.join(over)}. Wear hearing protection.")
    elif clipped:
        words.append("It is not known whether it passes what the EU, Norway and the US allow.")
    else:
        words.append("It is under the peak values of the EU, Norway and the US for the ear there.")
    words.append(
        "The rules hold at the ear, with C weighting, and by your own country's law: ask there. An "
        "ear nearer to the crack than the microphone gets more."
    )
    if clipped:
        words.append("The record is cut off, so the true peak is higher.")
    if rate < 160e3:
        words.append(
            f"At {rate / 1e3:g} kHz the record misses part of a peak that rises within 10 us: such "
            "impulses need a bandwidth of 80 kHz or more; dosimeters also cut off near 140 to "
            "146 dB (NIOSH Science Blog, 2018-07-18)."
        )
    return tuple(words)
