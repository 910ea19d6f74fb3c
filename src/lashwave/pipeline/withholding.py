"""Sightings that the user asks to be withheld, so that the rest can be asked to foretell them.

WHAT is WHO, WHEN or WHO@WHEN. WHO is a marker's label or a camera's name; left out, it is every
camera and every marker on the line, save those that give the motion of a driven end. WHEN is a
span of the lab clock, START:END, or every:K, each K-th sample or frame; left out, it is always.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lashwave.estimate import driving
from lashwave.instruments import frame_time
from lashwave.quantities import Array, Camera, InputError, Mask, Trial, UnitError, Whole, quantity

OPTION = "--withhold"
FORMS = (
    "write a marker's label, a camera's name, a span 0.30:0.35 in seconds, every:4, "
    "or both as M07@0.30:0.35"
)


@dataclass(frozen=True)
class Hidden:
    """Which sightings of a trial are withheld."""

    asked: tuple[str, ...]
    whole: Trial
    """With them."""
    marker: Mask
    """(T, L)"""
    camera: dict[str, Mask]
    """(P,) by name"""


@dataclass(frozen=True)
class _When:
    """A span [s] or every so many samples; whichever is given."""

    span: tuple[float, float] | None = None
    every: int = 1

    def of(self, time: Array, number: Whole) -> Mask:
        """(n,), of sightings at times (n,) [s] that carry numbers (n,)."""
        if self.span is not None:
            return np.asarray((time >= self.span[0]) & (time <= self.span[1]))
        return np.asarray((number + 1) % self.every == 0)


def withhold(trial: Trial, asked: tuple[str, ...]) -> tuple[Trial, Hidden]:
    """The trial without the sightings that `asked` names, and what they were.

    Raises InputError where a wish is not understood, or names nothing that was seen.
    """
    markers = trial.markers
    hidden = np.zeros(markers.position.shape[:2], dtype=bool)
    views = {c.name: np.zeros(c.frame.size, dtype=bool) for c in trial.cameras}
    for wish in asked:
        who, when = _parted(trial, wish)
        rows = when.of(markers.time, np.arange(markers.time.size))
        own = np.zeros_like(hidden)
        own[:, _columns(trial, who)] = True
        own &= rows[:, None] & np.isfinite(markers.position[..., 0])
        hidden |= own
        found = int(own.sum())
        for camera in trial.cameras:
            if who in (None, camera.name):
                points = when.of(_times(camera), camera.frame)
                views[camera.name] |= points
                found += int(points.sum())
        if not found:
            first, last = markers.time[[0, -1]]
            raise InputError(
                OPTION, f"{wish}: nothing that was seen is named by this",
                f"the markers' record runs from {first:.4g} to {last:.4g} s",
            )  # fmt: skip
    shown = np.where(hidden[..., None], np.nan, markers.position)
    left = replace(
        trial,
        markers=replace(markers, position=shown),
        cameras=tuple(_without(camera, views[camera.name]) for camera in trial.cameras),
    )
    return left, Hidden(asked, trial, hidden, views)


def _parted(trial: Trial, wish: str) -> tuple[str | None, _When]:
    """Who and when; a name that the trial has is a name, whatever signs are in it."""
    names = {*trial.markers.labels, *(c.name for c in trial.cameras)}
    if wish in names:
        return wish, _When()
    who, at, rest = wish.rpartition("@")
    if at and who not in names:
        raise _unknown(trial, who)
    if not at and ":" not in rest:
        raise _unknown(trial, rest)
    return who if at else None, _when(wish, rest)


def _unknown(trial: Trial, name: str) -> InputError:
    known = [*trial.markers.labels, *(c.name for c in trial.cameras)]
    return InputError(
        OPTION, f"{name!r} is neither a marker nor a camera of {trial.name}",
        f"{FORMS}; there are {', '.join(known[:20])}",
    )  # fmt: skip


def _when(wish: str, text: str) -> _When:
    start, colon, end = text.partition(":")
    if not colon:
        raise InputError(OPTION, f"{wish!r} is not understood", FORMS)
    if start.strip() == "every":
        if not end.strip().isdecimal() or not 2 <= int(end) <= 10**6:
            raise InputError(OPTION, f"{wish!r}: every how many?", "write every:2 or more")
        return _When(every=int(end))
    span = _seconds(wish, start), _seconds(wish, end)
    if span[0] >= span[1]:
        raise InputError(OPTION, f"{wish!r} ends before it begins", "write START:END")
    return _When(span)


def _seconds(wish: str, text: str) -> float:
    """A time with its unit, or in seconds."""
    try:
        bare: float | str = float(text)
    except ValueError:
        bare = text.strip()
    try:
        return quantity(bare, "time")
    except UnitError as fault:
        raise InputError(OPTION, f"{wish!r}: {fault.problem}", FORMS) from None


def _columns(trial: Trial, who: str | None) -> list[int]:
    """Numbers of the markers that a wish names."""
    markers = trial.markers
    if who is None:
        kept = {int(i) for i in np.flatnonzero(markers.on_handle)} | driving(trial)
        return [i for i in range(len(markers.labels)) if i not in kept]
    found = [i for i, label in enumerate(markers.labels) if label == who]
    if any(markers.on_handle[i] for i in found):
        raise InputError(
            OPTION, f"{who} sits beside the grip's axis at a place that only it tells",
            "withhold a marker with a station",
        )  # fmt: skip
    return found


def _times(camera: Camera) -> Array:
    """(P,) [s] by the clock as it is stated."""
    return frame_time(camera.rate, camera.counted(camera.frame), camera.clock.offset)


def _without(camera: Camera, hidden: Mask) -> Camera:
    kept = ~hidden
    return replace(
        camera, frame=camera.frame[kept], station=camera.station[kept], uv=camera.uv[kept],
        point_sd=camera.point_sd[kept],
    )  # fmt: skip
