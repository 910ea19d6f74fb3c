"""Points in space of one moment, from the dots of several cameras.

Pairs of dots that meet in space (epipolar lines) are looked for in the other cameras. Every set of
dots that agree is a candidate; sets that share a dot exclude each other, and those win that more
cameras saw, that stand where a track is expected, and that agree better. Where two cameras alone
see a point and another pairing is about as good, neither is kept: with two cameras some wrong
pairs always meet, and only motion or a third camera tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from lashwave.instruments import disagreement, project, project_jacobian, triangulate_many
from lashwave.points.dots.dot_settings import MEET, MeetSettings
from lashwave.quantities import Array, Camera, Whole


@dataclass(frozen=True)
class DotsInFrame:
    """Dots of one camera in one frame."""

    uv: Array
    """(D, 2) [px]"""
    sd: Array
    """(D,) of an image coordinate [px]"""
    merged: NDArray[np.bool_]
    """(D,) true where a dot may be two: then it may serve two points."""


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
