"""Dots of several cameras to points in space, frame after frame.

Pairs of dots that meet in space (`epipolar`) are looked for in the other cameras. Every set of
dots that agree is a candidate; sets that share a dot exclude each other, and those win that more
cameras saw, that stand where a track is expected, and that agree better. Where two cameras alone
see a point and another pairing is about as good, neither is kept: with two cameras some wrong
pairs always meet, and only motion or a third camera tells. What is left of them does not last, and
goes by `persistent`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2 as chi2_law

from lashwave.instruments.camera import project, project_jacobian
from lashwave.instruments.epipolar import disagreement
from lashwave.instruments.triangulation import triangulate_many
from lashwave.labels.linking import LinkRule, Tracker
from lashwave.quantities.arrays import Array, Whole
from lashwave.quantities.images import Dots
from lashwave.quantities.points import SpacePoints
from lashwave.quantities.sightings import Camera


@dataclass(frozen=True)
class View:
    """Dots of one camera in one frame."""

    uv: Array
    """(D, 2) [px]"""
    sd: Array
    """(D,) of an image coordinate [px]"""
    merged: NDArray[np.bool_]
    """(D,) true where a dot may be two: then it may serve two points."""


def views_of(dots: Sequence[Dots], frames: int) -> Iterator[list[View]]:
    """Dots of C cameras that expose together, frame after frame, 0 to `frames` - 1.

    A streak's greater sd stands for both image coordinates.
    """
    for frame in range(frames):
        views = []
        for own in dots:
            part = slice(*np.searchsorted(own.frame, [frame, frame + 1]))
            views.append(View(own.uv[part], own.sd[part].max(axis=1), own.merged[part]))
        yield views


@dataclass(frozen=True)
class MeetRule:
    """When dots are one point."""

    chance: float = 1e-3
    """Share of right candidates refused for their residuals."""
    calibration: float = 0.2
    """[px] standard deviation added to every dot for what the cameras' calibration is worth."""
    view: float = 5.0
    """What one more camera that agrees is worth, as log odds: a stray dot falls within the gate of
    some 3 px once in some hundred times (40 dots, a megapixel)."""
    expected: float = 5.0
    """What it is worth to stand where a track is expected, as log odds."""
    margin: float = 4.0
    """Least lead in log odds over a rival that shares a dot, for a point of two cameras."""


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


def _gather(views: Sequence[View], index: Whole, calibration: float) -> tuple[Array, Array]:
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


def _pairs(cameras: Sequence[Camera], views: Sequence[View], rule: MeetRule) -> Whole:
    """Pairs of dots that meet, as sets (N, C)."""
    limit = float(chi2_law.isf(rule.chance, 1))
    found = [np.empty((0, len(cameras)), np.int64)]
    for a, b in combinations(range(len(cameras)), 2):
        if not (len(views[a].uv) and len(views[b].uv)):
            continue
        sd = [np.hypot(views[c].sd, rule.calibration) for c in (a, b)]
        off = disagreement(cameras[a], cameras[b], views[a].uv, views[b].uv, *sd)
        one, two = np.nonzero(off < limit)
        index = np.full((one.size, len(cameras)), -1, np.int64)
        index[:, a], index[:, b] = one, two
        found.append(index)
    return np.concatenate(found)


def _extended(
    cameras: Sequence[Camera], views: Sequence[View], index: Whole, rule: MeetRule
) -> Whole:
    """The sets with, in each other camera, the dot nearest to the image of their point."""
    uv, sd = _gather(views, index, rule.calibration)
    position, covariance = triangulate_many(cameras, uv, sd)
    good = np.isfinite(position).all(axis=1)
    limit = float(chi2_law.isf(rule.chance, 2))
    wider = index.copy()
    for c, view in enumerate(views):
        rows = np.flatnonzero(good & (index[:, c] < 0))
        if not (rows.size and len(view.uv)):
            continue
        image = project(cameras[c], position[rows])
        slope = project_jacobian(cameras[c], position[rows])
        spread = slope @ covariance[rows] @ slope.swapaxes(1, 2)
        noise = np.hypot(view.sd, rule.calibration) ** 2
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
    views: Sequence[View],
    expected: tuple[Array, Array],
    rule: MeetRule,
) -> _Candidates:
    """All sets of dots whose residuals are within chance; expected : places (K, 3), variance."""
    pairs = _pairs(cameras, views, rule)
    index = np.unique(np.concatenate([pairs, _extended(cameras, views, pairs, rule)]), axis=0)
    uv, sd = _gather(views, index, rule.calibration)
    position, covariance = triangulate_many(cameras, uv, sd)
    chi2 = _residual(cameras, uv, sd, position)
    count = (index >= 0).sum(axis=1)
    keep = np.isfinite(chi2) & (chi2 < chi2_law.isf(rule.chance, np.maximum(2 * count - 3, 1)))
    index, position, covariance = index[keep], position[keep], covariance[keep]
    chi2, count = chi2[keep], count[keep]
    score = rule.view * (count - 1.0) - 0.5 * chi2
    place, variance = expected
    if len(place) and len(position):
        own = np.trace(covariance, axis1=1, axis2=2) / 3.0
        away = ((position[:, None] - place) ** 2).sum(-1) / (variance + own[:, None])
        score += np.maximum(rule.expected - 0.5 * away.min(axis=1), 0.0)
    return _Candidates(index, position, covariance, chi2, score)


def _chosen(found: _Candidates, views: Sequence[View], rule: MeetRule) -> Whole:
    """Candidates that stand: best first, each dot once (a merged one twice)."""
    room = [1 + view.merged.astype(int) for view in views]
    taken = []
    for n in np.argsort(-found.score, kind="stable"):
        used = [(c, d) for c, d in enumerate(found.views[n]) if d >= 0]
        if all(room[c][d] > 0 for c, d in used):
            taken.append(int(n))
            for c, d in used:
                room[c][d] -= 1
    return np.array([n for n in taken if not _rivalled(found, n, rule)], dtype=np.int64)


def _rivalled(found: _Candidates, n: int, rule: MeetRule) -> bool:
    """Whether a point of two cameras has another pairing about as good."""
    own = found.views[n]
    if (own >= 0).sum() > 2:
        return False
    shared = ((found.views == own) & (own >= 0)).sum(axis=1)
    other = (shared == 1) & (found.score > found.score[n] - rule.margin)
    return bool(other.any())


def points_in_frame(
    cameras: Sequence[Camera],
    views: Sequence[View],
    expected: tuple[Array, Array] | None = None,
    rule: MeetRule = MeetRule(),
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
    found = _candidates(cameras, views, expected or nowhere, rule)
    best = _chosen(found, views, rule)
    return found.position[best], found.covariance[best], found.views[best], found.chi2[best]


def stream_points(
    cameras: Sequence[Camera],
    frames: Iterable[Sequence[View]],
    link: LinkRule | None = None,
    rule: MeetRule = MeetRule(),
) -> Iterator[SpacePoints]:
    """Points in space of cameras that expose together at one rate, frame after frame, tracked.

    The tracks of the frames before say where points are expected.
    """
    step = 1.0 / cameras[0].rate
    tracker = Tracker(link or LinkRule())
    for frame, views in enumerate(frames):
        found = points_in_frame(cameras, views, tracker.predict(step), rule)
        position, covariance = found[:2]
        variance = np.trace(covariance, axis1=1, axis2=2) / 3.0
        track = tracker.step(step, position, variance)
        yield SpacePoints(np.full(len(track), frame, np.int64), *found, track)


def joined(parts: Iterable[SpacePoints]) -> SpacePoints:
    """Frames of points as one record; at least one part."""
    every = list(parts)
    names = vars(every[0])
    return SpacePoints(*(np.concatenate([getattr(p, n) for p in every]) for n in names))


def persistent(points: SpacePoints, least: int = 4) -> SpacePoints:
    """Points without those of two cameras whose tracks are shorter than `least` frames: wrong
    pairings that met by chance part again at once. Points of more cameras stay."""
    length = np.bincount(points.track, minlength=1)
    keep = ((points.views >= 0).sum(axis=1) > 2) | (length[points.track] >= least)
    return SpacePoints(*(column[keep] for column in vars(points).values()))
