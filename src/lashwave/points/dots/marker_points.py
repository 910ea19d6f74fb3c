"""Markers from the pictures of several cameras: dots found, placed in space, labelled.

Pairs of dots that meet in space (epipolar lines) are looked for in the other cameras. Every set of
dots that agree is a candidate; sets that share a dot exclude each other, and those win that more
cameras saw, that stand where a track is expected, and that agree better. Where two cameras alone
see a point and another pairing is about as good, neither is kept: with two cameras some wrong
pairs always meet, and only motion or a third camera tells. What is left of them does not last, and
goes by `lasting_points`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, islice

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from lashwave.instruments import (
    disagreement,
    frame_time,
    project,
    project_jacobian,
    triangulate_many,
)
from lashwave.labels import LinkSettings, Tracker, label_markers
from lashwave.points.dots.camera_health import advice, camera_health
from lashwave.points.dots.dot_settings import MEET, MeetSettings
from lashwave.points.dots.find_dots import dots_joined, stream_dots, with_gain
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
    SpacePoints,
    Whole,
)

Progress = Callable[[str, float], None]
"""A stage in words, and the share of it that is done."""


def locate_markers(
    cameras: Sequence[Camera],
    films: Sequence[Frames],
    wanted: Markers,
    handle_length: float,
    progress: Progress,
) -> LocatedMarkers:
    """Labelled marker samples, each with its own deviation, and what is worth knowing of them.

    Parameters
    ----------
    cameras : that expose together, at one rate; two at least. Where one has more images than
        another the first of each are used.
    wanted : labels and stations; no samples.
    handle_length : of the rigid grip [m].
    progress : is given each stage and the share of it done.

    Raises
    ------
    InputError : one camera alone, cameras of unlike rates, no point seen by two.
    """
    _check(cameras)
    counts = [len(film) for film in films]
    count = min(counts)
    found = _dots_of(cameras, films, count, progress)

    def frames() -> Iterator[Sequence[DotsInFrame]]:
        for frame, views in enumerate(dots_by_frame(found, count)):
            progress("points in space", frame / count)
            yield views

    points = lasting_points(points_joined(stream_points(cameras, frames())))
    if not points.frame.size:
        raise InputError(
            "cameras", "no dot is seen by two cameras", "check calibrations and clocks",
            field="projection",
        )  # fmt: skip
    progress("labels", 0.0)
    markers, report = label_markers(_unlabelled(points, cameras[0], count, wanted), handle_length)
    deviations = point_deviations(cameras, found, points)
    markers = with_own_sd(markers, points, deviations.sd)
    seen = np.atleast_1d(np.isfinite(markers.position[..., 0]).any(axis=0))
    lost = [label for label, has in zip(markers.labels, seen, strict=True) if not has]
    notes = [*report.sentences, *([f"markers never found: {', '.join(lost)}"] if lost else [])]
    notes.append(_of_deviations(markers, deviations))
    if max(counts) > count:
        notes.append(f"the cameras have {min(counts)} to {max(counts)} images; the first {count} "
                     "of each are used, taken at the same moments")  # fmt: skip
    kept = replace(
        markers,
        labels=tuple(np.array(markers.labels)[seen].tolist()),
        position=markers.position[:, seen],
        sd=markers.sd[:, seen],
        station=markers.station[seen],
    )
    images = images_of(found, points)[0]
    health = camera_health(cameras, points.frame, images, misses(cameras, points, images))
    said = [f"markers: {note}." for note in notes]
    said += [f"{one}." for each in health for one in advice(each)]
    return LocatedMarkers(kept, deviations.shift_sd, health, tuple(said))


def _dots_of(
    cameras: Sequence[Camera], films: Sequence[Frames], count: int, progress: Progress
) -> list[Dots]:
    """The dots in the first `count` images of each camera."""
    found = []
    for number, (camera, film) in enumerate(zip(cameras, films, strict=True)):
        parts = []
        for part in stream_dots(islice(iter(film), count), with_gain(film)):
            parts.append(part)
            last = int(part.frame[-1]) if part.frame.size else 0
            progress(f"dots of {camera.name}", (number + last / count) / len(films))
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
        f"{1e3 * found.shift_sd:.2g} mm by the calibrations, is not in them"
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


@dataclass(frozen=True)
class DotsInFrame:
    """Dots of one camera in one frame."""

    uv: Array
    """(D, 2) [px]"""
    sd: Array
    """(D,) of an image coordinate [px]"""
    merged: NDArray[np.bool_]
    """(D,) true where a dot may be two: then it may serve two points."""


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


@dataclass(frozen=True)
class _Candidates:
    """N sets of dots that agree."""

    views: Whole
    """(N, C), -1 for none."""
    position: Array
    covariance: Array
    chi2: Array
    score: Array
    """(N,) log odds."""


def _gather(views: Sequence[DotsInFrame], index: Whole, calibration: float) -> tuple[Array, Array]:
    """Image points (N, C, 2), nan where none, and sd (N, C) [px] of sets of dots (N, C)."""
    uv = np.full((*index.shape, 2), np.nan)
    sd = np.ones(index.shape)
    for c, view in enumerate(views):
        has = index[:, c] >= 0
        uv[has, c] = view.uv[index[has, c]]
        sd[has, c] = np.hypot(view.sd[index[has, c]], calibration)
    return uv, sd


def _residual(cameras: Sequence[Camera], uv: Array, sd: Array, position: Array) -> Array:
    """Chi-square (N,) of image points (N, C, 2) about the images of (N, 3)."""
    total = np.zeros(len(uv))
    for c, camera in enumerate(cameras):
        away = ((uv[:, c] - project(camera, position)) ** 2).sum(axis=1) / sd[:, c] ** 2
        total += np.where(np.isfinite(uv[:, c, 0]), away, 0.0)
    return total


def _pairs(
    cameras: Sequence[Camera], views: Sequence[DotsInFrame], settings: MeetSettings
) -> Whole:
    """Pairs of dots that meet, as sets (N, C)."""
    limit = float(chdtri(1, settings.chance))
    found = [np.empty((0, len(cameras)), np.int64)]
    for a, b in combinations(range(len(cameras)), 2):
        if not (len(views[a].uv) and len(views[b].uv)):
            continue
        sd = [np.hypot(views[c].sd, settings.calibration) for c in (a, b)]
        off = disagreement(cameras[a], cameras[b], views[a].uv, views[b].uv, *sd)
        one, two = np.nonzero(off < limit)
        index = np.full((one.size, len(cameras)), -1, np.int64)
        index[:, a], index[:, b] = one, two
        found.append(index)
    return np.concatenate(found)


def _extended(
    cameras: Sequence[Camera], views: Sequence[DotsInFrame], index: Whole, settings: MeetSettings
) -> Whole:
    """The sets with, in each other camera, the dot nearest to the image of their point."""
    uv, sd = _gather(views, index, settings.calibration)
    position, covariance = triangulate_many(cameras, uv, sd)
    good = np.isfinite(position).all(axis=1)
    limit = float(chdtri(2, settings.chance))
    wider = index.copy()
    for c, view in enumerate(views):
        rows = np.flatnonzero(good & (index[:, c] < 0))
        if not (rows.size and len(view.uv)):
            continue
        image = project(cameras[c], position[rows])
        slope = project_jacobian(cameras[c], position[rows])
        spread = slope @ covariance[rows] @ slope.swapaxes(1, 2)
        noise = np.hypot(view.sd, settings.calibration) ** 2
        total = spread[:, None] + noise[None, :, None, None] * np.eye(2)
        away = view.uv[None] - image[:, None]
        distance = np.einsum("rdi,rdi->rd", away, np.linalg.solve(total, away[..., None])[..., 0])
        distance = np.where(np.isfinite(distance), distance, np.inf)
        nearest = distance.argmin(axis=1)
        near = distance[np.arange(rows.size), nearest] < limit
        wider[rows[near], c] = nearest[near]
    return wider


def _candidates(
    cameras: Sequence[Camera],
    views: Sequence[DotsInFrame],
    expected: tuple[Array, Array],
    settings: MeetSettings,
) -> _Candidates:
    """All sets of dots whose residuals are within chance; expected : places (K, 3), variance."""
    pairs = _pairs(cameras, views, settings)
    index = np.unique(np.concatenate([pairs, _extended(cameras, views, pairs, settings)]), axis=0)
    uv, sd = _gather(views, index, settings.calibration)
    position, covariance = triangulate_many(cameras, uv, sd)
    chi2 = _residual(cameras, uv, sd, position)
    count = (index >= 0).sum(axis=1)
    keep = np.isfinite(chi2) & (chi2 < chdtri(np.maximum(2 * count - 3, 1), settings.chance))
    index, position, covariance = index[keep], position[keep], covariance[keep]
    chi2, count = chi2[keep], count[keep]
    score = settings.view * (count - 1.0) - 0.5 * chi2
    place, variance = expected
    if len(place) and len(position):
        own = np.trace(covariance, axis1=1, axis2=2) / 3.0
        away = ((position[:, None] - place) ** 2).sum(-1) / (variance + own[:, None])
        score += np.maximum(settings.expected - 0.5 * away.min(axis=1), 0.0)
    return _Candidates(index, position, covariance, chi2, score)


def _chosen(found: _Candidates, views: Sequence[DotsInFrame], settings: MeetSettings) -> Whole:
    """Candidates that stand: best first, each dot once (a merged one twice)."""
    room = [1 + view.merged.astype(int) for view in views]
    taken = []
    for n in np.argsort(-found.score, kind="stable"):
        used = [(c, d) for c, d in enumerate(found.views[n]) if d >= 0]
        if all(room[c][d] > 0 for c, d in used):
            taken.append(int(n))
            for c, d in used:
                room[c][d] -= 1
    return np.array([n for n in taken if not _rivalled(found, n, settings)], dtype=np.int64)


def _rivalled(found: _Candidates, n: int, settings: MeetSettings) -> bool:
    """Whether a point of two cameras has another pairing about as good."""
    own = found.views[n]
    if (own >= 0).sum() > 2:
        return False
    shared = ((found.views == own) & (own >= 0)).sum(axis=1)
    other = (shared == 1) & (found.score > found.score[n] - settings.margin)
    return bool(other.any())


def points_in_frame(
    cameras: Sequence[Camera],
    views: Sequence[DotsInFrame],
    expected: tuple[Array, Array] | None = None,
    settings: MeetSettings = MEET,
) -> tuple[Array, Array, Whole, Array]:
    """Points in space of one moment.

    Parameters
    ----------
    cameras : C of them; views : their dots.
    expected : places (K, 3) [m] where points are expected, and variance (K,) of each [m2].

    Returns
    -------
    position (P, 3) [m], covariance (P, 3, 3) [m2], views (P, C), chi2 (P,): as in `SpacePoints`.
    """
    nowhere = (np.empty((0, 3)), np.empty(0))
    found = _candidates(cameras, views, expected or nowhere, settings)
    best = _chosen(found, views, settings)
    return found.position[best], found.covariance[best], found.views[best], found.chi2[best]


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
