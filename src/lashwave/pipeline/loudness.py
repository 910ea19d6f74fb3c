"""What the microphones' peaks mean for ears: a caution, said wherever a sound was heard."""

from __future__ import annotations

from lashwave.quantities import Trial

FULL_SCALE = "Pressures hold where the recorder's full scale is 1 V: state full_scale."


def cautions(trial: Trial) -> tuple[str, ...]:
    """Sentences, each with the microphones that it is said of; and which have no onset."""
    from lashwave.answers import peak_pressure
    from lashwave.points import cautions as of_peak

    said: dict[str, list[str]] = {}
    for microphone in trial.microphones:
        onset = next((o for o in trial.onsets if o.microphone == microphone.label), None)
        texts: tuple[str, ...] = ()
        if onset is None:
            texts = ("no onset.",) if trial.onsets else ()
        elif onset.peak is not None and onset.rate is not None:
            pressure = peak_pressure(microphone, onset)
            texts = of_peak(None if pressure is None else pressure[0], onset.rate, onset.clipped)
            if pressure is not None and microphone.full_scale == 1.0:
                texts += (FULL_SCALE,)
        for text in texts:
            said.setdefault(text, []).append(microphone.label)
    return tuple(
        f"microphone{'s' if len(who) > 1 else ''} {', '.join(who)}: {text}"
        for text, who in said.items()
    )
