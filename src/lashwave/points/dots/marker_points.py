"""Markers from the pictures of several cameras: dots found, placed in space, labelled.

Points of one moment are those of `frame_points`. What is left there of wrong pairs does not last,
and goes by `lasting_points`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice

import numpy as np

from lashwave.instruments import (
    frame_time,
)
from lashwave.labels import LinkSettings, Tracker, label_markers
from lashwave.points.dots.camera_health import advice, camera_health
from lashwave.points.dots.common_shift import picture_offset
from lashwave.points.dots.dot_settings import MEET, MeetSettings
from lashwave.points.dots.find_dots import dots_joined, stream_dots, with_gain
from lashwave.points.dots.frame_points import DotsInFrame, points_in_frame
from lashwave.points.dots.moved_ring import LOOKED_AT, RingMove, moved_in_ring
from lashwave.points.dots.point_deviations import (
    PointDeviations,
    images_of,
    misses,
    point_deviations,
)
from lashwave.quantities import (
    Array,
    Camera,
    Dots,
    Frames,
    InputError,
    LocatedMarkers,
    Markers,
    SomeOfFilm,
    SpacePoints,
)

Progress = Callable[[str, float], None]
"""A stage in words, and the share of all stages that is done."""
DOTS_DONE, POINTS_DONE = 0.7, 0.95
"""Shares of the whole search after which dots are found, and points placed in space."""


def locate_markers(
    cameras: Sequence[Camera],
    films: Sequence[Frames],
    wanted: Markers,
    handle_length: float,
    progress: Progress,
    others: Sequence[Camera] = (),
) -> LocatedMarkers:
    """Labelled marker samples, each with its own deviation, and what is worth knowing of them.

    Parameters
    ----------
    cameras : that expose together, at one rate; two at least. Where one has more images than
        another the first of each are used.
    wanted : labels and stations; no samples.
    handle_length : of the rigid grip [m].
    progress : is given each stage and the share of the whole search done.
    others : cameras whose pictures these markers are to be seen in.

    Raises
    ------
    InputError : one camera alone, cameras of unlike rates, no point seen by two.
    """
    _check(cameras)
    counts = [len(film) for film in films]
    count = min(counts)
    found = _dots_of(cameras, films, count, progress)
    cameras, placed, moves = _as_they_stand(cameras, found, count)

    def frames() -> Iterator[Sequence[DotsInFrame]]:
        for frame, views in enumerate(dots_by_frame(found, count)):
            share = DOTS_DONE + (POINTS_DONE - DOTS_DONE) * frame / count
            progress("points in space", share)
            yield views

    points = lasting_points(points_joined(stream_points(cameras, frames())))
    if not points.frame.size:
        raise InputError(
            "cameras", "no dot is seen by two cameras", "check calibrations and clocks",
            field="projection",
        )  # fmt: skip
    progress("labels", POINTS_DONE)
    markers, report = label_markers(_unlabelled(points, cameras[0], count, wanted), handle_length)
    deviations = point_deviations(cameras, found, points)
    markers = with_own_sd(markers, points, deviations.sd)
    kept, lost = _seen_alone(markers)
    notes = [*report.sentences, *([f"markers never found: {', '.join(lost)}"] if lost else [])]
    notes.append(_of_deviations(markers, deviations))
    if max(counts) > count:
        notes.append(f"the cameras have {min(counts)} to {max(counts)} images; the first {count} "
                     "of each are used, taken at the same moments")  # fmt: skip
    images = images_of(found, points)[0]
    health = camera_health(cameras, points.frame, images, misses(cameras, points, images))
    said = [f"markers: {note}." for note in notes]
    said += [f"{one}." for each in health for one in advice(each)]
    offsets = tuple((k.name, picture_offset(k, deviations.ring)) for k in others)
    return LocatedMarkers(kept, offsets, placed, health, (*moves, *said))


def _seen_alone(markers: Markers) -> tuple[Markers, list[str]]:
    """The markers that were found at all, and the labels of those that never were."""
    seen = np.atleast_1d(np.isfinite(markers.position[..., 0]).any(axis=0))
    kept = replace(
        markers,
        labels=tuple(np.array(markers.labels)[seen].tolist()),
        position=markers.position[:, seen],
        sd=markers.sd[:, seen],
        station=markers.station[seen],
    )
    return kept, [name for name, has in zip(markers.labels, seen, strict=True) if not has]


def moved_by_points(cameras: Sequence[Camera], films: Sequence[Frames]) -> RingMove | None:
    """What the dots in some images of cameras that expose together say of the cameras, at least
    three; None where they agree, or are fewer."""
    if len(cameras) < 3:
        return None
    shown = tuple(_looked_at(min(len(film) for film in films)))
    some = [SomeOfFilm(film, shown) for film in films]
    found = _dots_of(cameras, some, len(shown), lambda *_: None)
    return moved_in_ring(cameras, list(dots_by_frame(found, len(shown))))


def _looked_at(count: int) -> list[int]:
    """Images of a record in which a camera's move is looked for."""
    return [int(k) for k in np.unique(np.linspace(0, count - 1, LOOKED_AT).round())]


def said_of(move: RingMove, cameras: Sequence[Camera]) -> str:
    """What a move is and what becomes of it, as a sentence without its full stop."""
    if move.camera is None:
        return move.text
    if not next(k for k in cameras if k.name == move.name).register:
        return f"{move.text}; write register = true to use it so, or calibrate it anew"
    known = move.camera.registration_sd
    return f"{move.text}; it is used as it stands now, known to {known:.2g} px"


def _as_they_stand(
    cameras: Sequence[Camera], found: Sequence[Dots], count: int
) -> tuple[list[Camera], tuple[tuple[str, Array], ...], tuple[str, ...]]:
    """The cameras with one that was moved placed anew, where the trial asks for that; its
    projection by name, and what to say."""
    chosen = set(_looked_at(count))
    moment = [views for k, views in enumerate(dots_by_frame(found, count)) if k in chosen]
    move = moved_in_ring(cameras, moment)
    if move is None:
        return list(cameras), (), ()
    about = f"camera {move.name}" if move.camera is not None else move.name or "the ring"
    said = (f"{about}: {said_of(move, cameras)}.",)
    asked = move.camera is not None and next(k for k in cameras if k.name == move.name).register
    if not asked or move.camera is None:
        return list(cameras), (), said
    now = [move.camera if k.name == move.name else k for k in cameras]
    return now, ((move.name, move.camera.projection),), said


def _dots_of(
    cameras: Sequence[Camera], films: Sequence[Frames], count: int, progress: Progress
) -> list[Dots]:
    """The dots in the first `count` images of each camera."""
    found = []
    for number, (camera, film) in enumerate(zip(cameras, films, strict=True)):
        parts, last = [], 0
        for part in stream_dots(islice(iter(film), count), with_gain(film)):
            parts.append(part)
            last = int(part.frame[-1]) if part.frame.size else last
            share = (number + last / count) / len(films)
            progress(f"dots of {camera.name}", DOTS_DONE * share)
        found.append(dots_joined(parts))
    return found


def with_own_sd(markers: Markers, points: SpacePoints, sd: Array) -> Markers:
    """The record with each sample's own deviation: that, (P,) [m], of the point which it is."""
    usual = float(np.median(sd))
    whole = np.full(markers.sd.shape, usual)
    has = np.isfinite(markers.position[..., 0])
    sample, label = np.nonzero(has)
    rows = np.column_stack([sample, markers.position[has]])
    every = np.concatenate([np.column_stack([points.frame, points.position]), rows])
    _, first, number = np.unique(every, axis=0, return_index=True, return_inverse=True)
    source = first[number.ravel()[len(points.frame) :]]
    own = source < len(points.frame)
    whole[sample[own], label[own]] = sd[source[own]]
    return replace(markers, sd=whole)


def _of_deviations(markers: Markers, found: PointDeviations) -> str:
    """What the samples' deviations are, and what they are not."""
    has = np.isfinite(markers.position[..., 0])
    own = 1e3 * np.quantile(markers.sd[has], [0.5, 0.95]) if has.any() else np.full(2, np.nan)
    return (
        f"each sample has its own deviation from the cameras that saw it, {own[0]:.2g} mm in the "
        f"median and over {own[1]:.2g} mm for one in twenty; a shift common to all, "
        f"{1e3 * found.ring.shift_sd:.2g} mm by the calibrations, is not in them"
    )


def _check(cameras: Sequence[Camera]) -> None:
    if len(cameras) < 2:
        raise InputError(
            "trial.toml", f"camera {cameras[0].name} alone shows dots", "two place them in space",
            field="cameras",
        )  # fmt: skip
    for camera in cameras[1:]:
        if camera.rate != cameras[0].rate:
            raise InputError(
                "trial.toml",
                f"cameras {cameras[0].name} and {camera.name} show dots at {cameras[0].rate:g} and "
                f"{camera.rate:g} Hz",
                "dots are placed by cameras that expose together, image by image",
                field="cameras",
            )


def _unlabelled(points: SpacePoints, camera: Camera, count: int, wanted: Markers) -> Markers:
    """All points without a label, on the cameras' samples."""
    time = frame_time(camera.rate, np.arange(count), camera.clock.offset)
    sd = max(float(np.median(points.sd)), MEET.least_sd)
    return replace(
        wanted,
        time=time,
        position=np.full((count, len(wanted.labels), 3), np.nan),
        sd=np.full((count, len(wanted.labels)), sd),
        unlabelled_time=time[points.frame],
        unlabelled_position=points.position,
    )


def dots_by_frame(dots: Sequence[Dots], frames: int) -> Iterator[list[DotsInFrame]]:
    """Dots of C cameras that expose together, frame after frame, 0 to `frames` - 1.

    A streak's greater sd stands for both image coordinates.
    """
    for frame in range(frames):
        views = []
        for own in dots:
            part = slice(*np.searchsorted(own.frame, [frame, frame + 1]))
            views.append(DotsInFrame(own.uv[part], own.sd[part].max(axis=1), own.merged[part]))
        yield views


def stream_points(
    cameras: Sequence[Camera],
    frames: Iterable[Sequence[DotsInFrame]],
    link: LinkSettings | None = None,
    settings: MeetSettings = MEET,
) -> Iterator[SpacePoints]:
    """Points in space of cameras that expose together at one rate, frame after frame, tracked.

    The tracks of the frames before say where points are expected.
    """
    step = 1.0 / cameras[0].rate
    tracker = Tracker(link or LinkSettings())
    for frame, views in enumerate(frames):
        found = points_in_frame(cameras, views, tracker.predict(step), settings)
        position, covariance = found[:2]
        variance = np.trace(covariance, axis1=1, axis2=2) / 3.0
        track = tracker.step(step, position, variance)
        yield SpacePoints(np.full(len(track), frame, np.int64), *found, track)


def points_joined(parts: Iterable[SpacePoints]) -> SpacePoints:
    """Frames of points as one record; at least one part."""
    every = list(parts)
    names = vars(every[0])
    return SpacePoints(*(np.concatenate([getattr(p, n) for p in every]) for n in names))


def lasting_points(points: SpacePoints, settings: MeetSettings = MEET) -> SpacePoints:
    """Points without those of two cameras whose tracks are shorter than `settings.least` frames.

    Wrong pairs that met by chance part again at once. Points of more cameras stay.
    """
    length = np.bincount(points.track, minlength=1)
    keep = ((points.views >= 0).sum(axis=1) > 2) | (length[points.track] >= settings.least)
    return SpacePoints(*(column[keep] for column in vars(points).values()))
