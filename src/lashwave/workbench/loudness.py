"""What the microphones' peaks mean for ears: a caution, said wherever a sound was heard."""

from __future__ import annotations

from lashwave.quantities.trial import Trial


def cautions(trial: Trial) -> tuple[str, ...]:
    """Sentences for each microphone, by name; and which microphones have no onset."""
    from lashwave.answers.sound import peak_pressure
    from lashwave.points.channels import cautions as of_peak

    found = []
    for microphone in trial.microphones:
        onset = next((o for o in trial.onsets if o.microphone == microphone.label), None)
        if onset is None:
            if trial.onsets:
                found.append(f"microphone {microphone.label}: no onset.")
        elif onset.peak is not None and onset.rate is not None:
            pressure = peak_pressure(microphone, onset)
            said = of_peak(None if pressure is None else pressure[0], onset.rate, onset.clipped)
            found += [f"microphone {microphone.label}: {text}" for text in said]
            if pressure is not None and microphone.full_scale == 1.0:
                found.append(
                    f"microphone {microphone.label}: pressures hold where the recorder's full scale "
                    "is 1 V; state full_scale where it is not."
                )
    return tuple(found)
