"""Markers from the images of cameras that show their dots: found, placed in space, labelled."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from lashwave.instruments.clock import frame_time
from lashwave.labels.relabel import label_markers
from lashwave.points.dots.find import settle, stream_dots, together
from lashwave.points.dots.space import View, joined, persistent, stream_points, views_of
from lashwave.quantities.errors import InputError
from lashwave.quantities.images import Frames
from lashwave.quantities.points import SpacePoints
from lashwave.quantities.sightings import Camera, Markers

Told = Callable[[str, float], None]
LEAST_SD = 5e-5
"""Of one coordinate of a marker [m]: what calibrations are worth at best."""


def locate_markers(
    cameras: Sequence[Camera],
    films: Sequence[Frames],
    wanted: Markers,
    handle_length: float,
    told: Told,
) -> tuple[Markers, tuple[str, ...]]:
    """Labelled marker samples, and what is worth knowing about them.

    Parameters
    ----------
    cameras : that expose together, at one rate and with as many images; two at least.
    wanted : labels and stations; no samples.
    handle_length : of the rigid grip [m].

    Raises
    ------
    InputError : one camera alone, cameras of unlike rates or lengths, no point seen by two.
    """
    _check(cameras, films)
    found = []
    for number, (camera, film) in enumerate(zip(cameras, films, strict=True)):
        parts = []
        for part in stream_dots(film, settle(film)):
            parts.append(part)
            last = int(part.frame[-1]) if part.frame.size else 0
            told(f"dots of {camera.name}", (number + last / len(film)) / len(films))
        found.append(together(parts))
    count = len(films[0])

    def frames() -> Iterator[Sequence[View]]:
        for frame, views in enumerate(views_of(found, count)):
            told("points in space", frame / count)
            yield views

    points = persistent(joined(stream_points(cameras, frames())))
    if not points.frame.size:
        raise InputError(
            "cameras", "no dot is seen by two cameras", "check calibrations and clocks",
            field="projection",
        )  # fmt: skip
    told("labels", 0.0)
    markers, report = label_markers(_unlabelled(points, cameras[0], count, wanted), handle_length)
    seen = np.atleast_1d(np.isfinite(markers.position[..., 0]).any(axis=0))
    lost = [label for label, has in zip(markers.labels, seen, strict=True) if not has]
    notes = [*report.sentences, *([f"markers never found: {', '.join(lost)}"] if lost else [])]
    kept = replace(
        markers,
        labels=tuple(np.array(markers.labels)[seen].tolist()),
        position=markers.position[:, seen],
        sd=markers.sd[:, seen],
        station=markers.station[seen],
    )
    return kept, tuple(f"markers: {note}." for note in notes)


def _check(cameras: Sequence[Camera], films: Sequence[Frames]) -> None:
    if len(cameras) < 2:
        raise InputError(
            "trial.toml", f"camera {cameras[0].name} alone shows dots", "two place them in space",
            field="cameras",
        )  # fmt: skip
    for camera, film in zip(cameras[1:], films[1:], strict=True):
        if camera.rate != cameras[0].rate or len(film) != len(films[0]):
            raise InputError(
                "trial.toml",
                f"cameras {cameras[0].name} and {camera.name} show dots at {cameras[0].rate:g} and "
                f"{camera.rate:g} Hz, in {len(films[0])} and {len(film)} images",
                "dots are placed by cameras that expose together, image by image",
                field="cameras",
            )


def _unlabelled(points: SpacePoints, camera: Camera, count: int, wanted: Markers) -> Markers:
    """All points without a label, on the cameras' samples."""
    time = frame_time(camera.rate, np.arange(count), camera.clock.offset)
    sd = max(float(np.median(points.sd)), LEAST_SD)
    return replace(
        wanted,
        time=time,
        position=np.full((count, len(wanted.labels), 3), np.nan),
        sd=np.full((count, len(wanted.labels)), sd),
        unlabelled_time=time[points.frame],
        unlabelled_position=points.position,
    )
