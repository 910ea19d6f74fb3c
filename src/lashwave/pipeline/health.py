"""Numbers that say how good a trial's sightings are, before any model of the motion.

And what the microphones' peaks mean for ears: a caution, said wherever a sound was heard.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lashwave.instruments import in_view
from lashwave.quantities import Array, Camera, Markers, Mask, Trial

PIECE = 4096
"""Samples looked at together."""
QUIET_WINDOW = 30
"""Samples in a stretch whose noise is looked at: enough to know it to 10 %, and so few that the
line hardly moves meanwhile."""


@dataclass(frozen=True)
class MarkerHealth:
    """One marker's record."""

    label: str
    station: float
    """[m]; nan on the handle."""
    coverage: float
    """Share of samples in which it was seen."""
    longest_gap: float
    """[s], the ends of the record counted."""
    noise: float
    """[m], of one coordinate, in the quietest stretches; nan where too little was seen."""
    stated: float
    """[m], median of the stated standard deviation."""


@dataclass(frozen=True)
class MarkerSpacing:
    """Two neighbouring markers: the straight distance between them against the line's length."""

    labels: tuple[str, str]
    arc: float
    """[m] along the line."""
    largest: float
    """[m], 99.5 % quantile of the chord; nan where never seen together."""
    too_long: float
    """Share of common samples whose chord is longer than the line between them can be."""
    together: int
    """Common samples."""


@dataclass(frozen=True)
class CameraHealth:
    """One camera's points."""

    name: str
    points: int
    first: float
    """[s], lab time of the first point by the stated clock."""
    last: float
    frames: int
    """Frames with a point."""
    span: int
    """Frames from first to last point, both counted."""
    outside: int
    """Points outside the image."""
    flashes: int
    flash_misfit: int
    """Flashes more than a frame off the rhythm of the marker samples."""


def noise_from_differences(position: Array) -> float:
    """White noise of one coordinate [m] of a track (T, 3), nan where not seen.

    Third differences of white noise have 1 + 9 + 9 + 1 = 20 times its variance and pass motion of
    constant acceleration. The tenth part of the stretches with the least is taken as the noise, as
    fast motion only adds; that choice makes it some 10 % low. nan where no stretch is whole.
    """
    third = np.diff(position, n=3, axis=0)
    count = third.shape[0] // QUIET_WINDOW
    if count == 0:
        return float("nan")
    blocks = third[: count * QUIET_WINDOW].reshape(count, -1)
    whole = blocks[np.isfinite(blocks).all(axis=1)]
    if whole.shape[0] == 0:
        return float("nan")
    rms = np.sqrt((whole**2).mean(axis=1) / 20.0)
    return float(np.quantile(rms, 0.1))


def longest_gap(seen: NDArray[np.bool_], interval: float) -> float:
    """Longest run of samples (T,) without a sighting [s]."""
    edges = np.flatnonzero(np.concatenate([[True], seen, [True]]))
    return float((np.diff(edges).max() - 1) * interval)


def of_markers(markers: Markers) -> list[MarkerHealth]:
    """The record of each marker, from butt to tip, those on the handle last."""
    order = np.argsort(markers.station, kind="stable")
    seen = {i: np.asarray(np.isfinite(markers.position[:, i]).all(axis=-1)) for i in order}
    return [
        MarkerHealth(
            label=markers.labels[i],
            station=float(markers.station[i]),
            coverage=float(seen[i].mean()),
            longest_gap=longest_gap(seen[i], 1.0 / markers.rate),
            noise=noise_from_differences(markers.position[:, i]),
            stated=float(np.nanmedian(markers.sd[:, i])) if markers.sd.size else float("nan"),
        )
        for i in order
    ]


def of_spacings(markers: Markers) -> list[MarkerSpacing]:
    """Chords of neighbouring markers; a chord may exceed the arc by noise and slack alone."""
    on_line = [i for i in np.argsort(markers.station) if np.isfinite(markers.station[i])]
    spacings = []
    for a, b in pairwise(on_line):
        chord = np.linalg.norm(markers.position[:, b] - markers.position[:, a], axis=-1)
        both = np.isfinite(chord)
        arc = float(markers.station[b] - markers.station[a])
        noise = np.hypot(markers.sd[:, a], markers.sd[:, b])
        # Two stations, three deviations; two stand-offs that may lean apart; noise of a chord.
        known = 3.0 * np.sqrt(2.0) * markers.station_sd + 2.0 * markers.stand_off
        slack = known + 4.0 * np.nan_to_num(noise)
        spacings.append(
            MarkerSpacing(
                labels=(markers.labels[a], markers.labels[b]),
                arc=arc,
                largest=float(np.quantile(chord[both], 0.995)) if both.any() else float("nan"),
                too_long=float((chord > arc + slack)[both].mean()) if both.any() else 0.0,
                together=int(both.sum()),
            )
        )
    return spacings


def swap_suspects(markers: Markers) -> list[tuple[str, str, int]]:
    """Pairs of labels that seem exchanged at some moment, and how often.

    Where both of two markers leave their straight path between samples, and the two places would
    fit the two paths three times better the other way round, the labels were likely exchanged.
    """
    position, suspects = markers.position, []
    known = markers.sd[_some(markers)]
    least = 10.0 * float(np.nanmedian(known)) if np.isfinite(known).any() else 0.0
    strays = _strays(position, least)
    count = len(markers.labels)
    for a in range(count):
        for b in range(a + 1, count):
            k = np.flatnonzero(strays[a] & strays[b])
            if not k.size:
                continue
            path = 2.0 * position[k + 1][:, [a, b]] - position[k][:, [a, b]]
            here = position[k + 2][:, [a, b]]
            kept = np.linalg.norm(here - path, axis=-1).sum(axis=1)
            crossed = np.linalg.norm(here[:, ::-1] - path, axis=-1).sum(axis=1)
            moments = int((crossed < kept / 3.0).sum())
            if moments:
                suspects.append((markers.labels[a], markers.labels[b], moments))
    return suspects


def _strays(position: Array, least: float) -> Mask:
    """(L, T - 2) whether each marker is over `least` [m] off its straight path at a sample.

    A piece of the record (T, L, 3) [m] at a time, so that a long one is in memory once.
    """
    strays = np.zeros((position.shape[1], max(len(position) - 2, 0)), dtype=bool)
    for begin in range(0, strays.shape[1], PIECE):
        piece = position[begin : begin + PIECE + 2]
        off = np.linalg.norm(piece[2:] - (2.0 * piece[1:-1] - piece[:-2]), axis=-1)
        strays[:, begin : begin + PIECE] = (off > least).T
    return strays


def _some(markers: Markers) -> slice:
    """Some 2,000 samples, evenly spread."""
    return slice(None, None, 1 + markers.time.size // 2000)


def duplicates(markers: Markers) -> list[tuple[str, str, float]]:
    """Pairs of labels at one place (within 3 sd) in over a tenth of their common samples.

    At most some 2,000 samples, evenly spread, are looked at: a tenth shows in them.
    """
    found = []
    some = _some(markers)
    position, sd = markers.position[some], markers.sd[some]
    sd = np.where(np.isfinite(sd), sd, np.inf)
    for a in range(len(markers.labels)):
        for b in range(a + 1, len(markers.labels)):
            apart = np.linalg.norm(position[:, a] - position[:, b], axis=-1)
            both = np.isfinite(apart)
            if not both.any():
                continue
            share = float((apart < 3.0 * np.minimum(sd[:, a], sd[:, b]))[both].mean())
            if share > 0.1:
                found.append((markers.labels[a], markers.labels[b], share))
    return found


def of_camera(camera: Camera, marker_rate: float) -> CameraHealth:
    """What a camera saw, on its stated clock."""
    frames = np.unique(camera.frame)
    ends = camera.counted(frames[[0, -1]]) if frames.size else np.full(2, np.nan)
    inside = in_view(camera, camera.uv)
    return CameraHealth(
        name=camera.name,
        points=int(camera.frame.size),
        first=float(camera.clock.offset + ends[0] / camera.rate),
        last=float(camera.clock.offset + ends[1] / camera.rate),
        frames=int(frames.size),
        span=int(frames[-1] - frames[0] + 1) if frames.size else 0,
        outside=int((~inside).sum()),
        flashes=int(camera.flashes.size),
        flash_misfit=flash_misfit(camera, marker_rate),
    )


def flash_misfit(camera: Camera, marker_rate: float) -> int:
    """Flashes that are more than a frame off one rhythm at the marker rate.

    A flash falls at every marker sample and is listed in the frame nearest to it, so frames are
    whole multiples of rate / marker rate plus one offset, within half a frame; drift adds to it.
    """
    if camera.flashes.size < 2:
        return 0
    period = camera.rate / marker_rate
    if camera.flash_times is not None:
        period = camera.rate * float(np.median(np.diff(camera.flash_times)))
    flashes = np.sort(camera.counted(camera.flashes))
    turns = flashes / period
    phase = np.angle(np.exp(2j * np.pi * (turns - turns[0]))) / (2 * np.pi) * period
    allowed = 1.0 + 3.0 * camera.clock.drift_sd * (flashes - flashes[0])
    return int((np.abs(phase - np.median(phase)) > allowed).sum())


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
