"""Which channels of a recording can be used, its onset, and cautions for ears by its levels."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from lashwave.points.clock_sound.arrivals import (
    RepeatedBlock,
    common_event,
    first_arrival,
    repeated_blocks,
)
from lashwave.points.clock_sound.clock_settings import SOUND, SoundSettings
from lashwave.points.clock_sound.onsets import Impulse, clipped_samples, impulse, sound_level
from lashwave.quantities import Array, InputError, Microphone, Onset, Sound


def locate_onset(microphone: Microphone, sound: Sound) -> tuple[Onset | None, tuple[str, ...]]:
    """The loudest impulse of a microphone's channel, on the lab clock; and what to know.

    Where no channel is named it is the file's usable one with the fewest faults.

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
    notes += _copied(repeated_blocks(sound.samples), sound.rate)
    usable = [n for n in wanted if judged[n].usable and not sound.bad[n]]
    usable.sort(key=lambda n: len(judged[n].faults))
    if not usable:
        notes.append("no onset found")
        return None, _of(microphone, notes)
    onset, said = _onset(microphone, judged[usable[0]], sound.rate)
    return onset, _of(microphone, [*notes, *said])


def _copied(blocks: tuple[RepeatedBlock, ...], rate: float) -> Iterator[str]:
    """What to know of a recording with blocks that were written twice."""
    if blocks:
        length = sum(block.length for block in blocks)
        first, last = blocks[0].first, blocks[-1].first + blocks[-1].length - 1
        yield (
            f"recorder fault: {length} samples between {first} and {last} are the block before "
            f"them once more; times up to there may be wrong by {1e3 * length / rate:.0f} ms, and "
            "what begins at a block's edge may be a splice"
        )


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
        """Whether its onset can be used; a clipped channel's can, its peak cannot. A noisy or weak
        one's can where it stands clear of its own noise."""
        if self.impulse is None:
            return False
        clear = abs(self.impulse.peak) > SOUND.clear * self.impulse.noise
        passed = ("clipped", "noisy", "weak") if clear else ("clipped",)
        return all(fault.startswith(passed) for fault in self.faults)


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

    Notes
    -----
    Without `between` channels of one recording are looked at together, about the event that they
    share; one that rises too slowly for an edge is taken where the sound first arrives.
    """
    x = np.asarray(samples, dtype=float)
    found = _impulses(x, rate, between, full_scale, settings)
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


def _impulses(
    x: Array,
    rate: float,
    between: tuple[float, float] | None,
    full_scale: float | None,
    settings: SoundSettings,
) -> list[Impulse | None]:
    """The impulse of each channel (N, C): by its edge, or by its first arrival."""

    def edge(c: int, span: tuple[float, float] | None) -> Impulse | None:
        return impulse(x[:, c], rate, span, full_scale, settings=settings)

    found = [edge(c, between) for c in range(x.shape[1])]
    if between is not None or (len(found) == 1 and found[0] is not None):
        return found
    event = common_event(x, rate, repeated_blocks(x), settings=settings)
    if event is None:
        return found
    span = (event - settings.reach, event + settings.reach)
    return [_arrived(x[:, c], rate, edge(c, span), event, full_scale, settings)
            for c in range(x.shape[1])]  # fmt: skip


def _arrived(
    x: Array,
    rate: float,
    edge: Impulse | None,
    event: float,
    full_scale: float | None,
    settings: SoundSettings,
) -> Impulse | None:
    """A channel's impulse by its edge, or where that is none or begins late by its arrival."""
    arrival = first_arrival(x, rate, event, settings=settings)
    if arrival is None or (edge is not None and abs(edge.time - arrival[0]) < settings.agree):
        return edge
    time, sd = arrival
    note = "rises too slowly for its edge to be fitted: the onset is where the sound arrives"
    if edge is not None:
        return replace(edge, time=time, sd=sd, notes=(*edge.notes, note))
    first = int(time * rate)
    before = x[max(first - int(settings.lead * rate), 0) : max(first - 2, 1)]
    base = float(np.median(before))
    ring = x[first : first + int(settings.ring * rate) + 1] - base
    noise = max(1.4826 * float(np.median(np.abs(before - base))), 1e-300)
    height = float(ring[int(np.abs(ring).argmax())])
    return Impulse(time, sd, height, noise, noise, bool(clipped_samples(x, full_scale)), (note,))


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
