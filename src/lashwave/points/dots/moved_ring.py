"""Which camera of a ring was moved since it was calibrated, by the throw's own points.

Points that the others place are looked for in one camera's pictures, wherever a turn and a shift of
it may have put them. The camera whose move lets the most images agree is the one that was moved;
where two moves explain as much, or none does, that is said. It takes three cameras: of two that
disagree nobody can say which was moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lashwave.instruments import (
    Moved,
    in_view,
    moved_camera,
    project,
    project_jacobian,
)
from lashwave.points.dots.common_shift import gains, picture_offset, ring_errors
from lashwave.points.dots.dot_settings import MEET, MeetSettings
from lashwave.points.dots.frame_points import DotsInFrame, points_in_frame
from lashwave.quantities import Array, Camera

LOOKED_AT = 40
"""Pictures of each camera in which points are looked for, evenly over the record."""
REACH, BIN = 160.0, 8.0
"""How far a picture may have shifted, and how finely that is first counted [px]."""
GATES = (12.0, 6.0, 3.0, 1.5)
"""Within which an image is looked for, as the camera's place becomes known [px]."""
FEWEST = 30
"""Images by which a camera's move is found at least."""
AGREE = 0.6
"""Share of the points in view that must be seen, by a camera as it stands."""
BEYOND = 4.0
"""Deviations of what the calibrations leave open, beyond which a camera has moved."""
DISAGREE = 0.15
"""Share of the log odds that all dots would have if every camera saw each, under which the cameras
disagree: chance alone gives under a tenth."""
CLEAR = 0.25
"""Share of the gain by which the best move must lead the next."""


@dataclass(frozen=True)
class RingMove:
    """A camera that the others' points show to have moved, or that cameras disagree."""

    name: str
    """Empty where it cannot be told which camera was moved."""
    text: str
    """What was found, as a sentence without its full stop."""
    camera: Camera | None
    """As it stands now; None where that cannot be told."""


@dataclass(frozen=True)
class _Trial:
    """One camera taken as moved."""

    which: int
    found: Moved
    seen: int
    """Images that agree."""
    score: float
    """Of all cameras' sets of dots with it as it stands now, log odds."""


def moved_in_ring(
    cameras: Sequence[Camera],
    frames: Sequence[Sequence[DotsInFrame]],
    settings: MeetSettings = MEET,
) -> RingMove | None:
    """What the dots of some moments say of the cameras; None where they agree.

    Parameters
    ----------
    cameras : C of them, two at least; frames : for each moment the dots of each.
    """
    most = sum(sorted(len(view.uv) for view in views)[-2] for views in frames)
    if most < FEWEST:
        return None
    now = _agreement(cameras, frames, settings)
    few = now.score < DISAGREE * settings.view * (len(cameras) - 1) * most
    if len(cameras) == 2:
        return RingMove("", _two(cameras, most, len(now.places)), None) if few else None
    sd = np.full(len(cameras), np.inf)
    if len(now.places) >= FEWEST:
        sd = BEYOND * np.sqrt(2.0) * _offsets(cameras, now.places, settings)
        if not few and (now.share > AGREE).all() and (now.shift < sd).all():
            return None
    every = [_as_moved(cameras, frames, c, settings) for c in range(len(cameras))]
    tried = [t for t in every if t and t.score > now.score and t.found.off > sd[t.which]]
    if not tried:
        return RingMove("", _disagree(most, len(now.places)), None) if few else None
    best, *rest = sorted(tried, key=lambda t: -t.score)
    if rest and best.score - rest[0].score < CLEAR * (best.score - now.score):
        names = " or ".join(sorted(cameras[t.which].name for t in (best, rest[0])))
        text = f"{names} was moved since the cameras were calibrated; which of them cannot be told"
        return RingMove("", text, None)
    return RingMove(cameras[best.which].name, _said(best), best.found.camera)


@dataclass(frozen=True)
class _Agreement:
    """How dots of all cameras meet."""

    score: float
    """Log odds of all points."""
    share: Array
    """(C,) of the points in a camera's view, those that it sees; 1 where few are in its view."""
    shift: Array
    """(C,) length of its median miss [px]."""
    places: Array
    """(N, 3) of the points [m]."""


def _agreement(
    cameras: Sequence[Camera], frames: Sequence[Sequence[DotsInFrame]], settings: MeetSettings
) -> _Agreement:
    score, inside, seen = 0.0, np.zeros(len(cameras)), np.zeros(len(cameras))
    off: list[list[Array]] = [[np.empty((0, 2))] for _ in cameras]
    places = [np.empty((0, 3))]
    for views in frames:
        position, _, index, chi2 = points_in_frame(cameras, views, settings=settings)
        has = index >= 0
        score += float((settings.view * (has.sum(axis=1) - 1.0) - 0.5 * chi2).sum())
        places.append(position)
        for c, camera in enumerate(cameras):
            image = project(camera, position)
            inside[c] += in_view(camera, image).sum()
            seen[c] += has[:, c].sum()
            off[c].append(views[c].uv[index[has[:, c], c]] - image[has[:, c]])
    middle = [np.concatenate(o) for o in off]
    shift = [float(np.hypot(*np.median(o, axis=0))) if len(o) else 0.0 for o in middle]
    share = np.where(inside >= FEWEST, seen / np.maximum(inside, 1.0), 1.0)
    return _Agreement(score, share, np.array(shift), np.concatenate(places))


def _offsets(cameras: Sequence[Camera], places: Array, settings: MeetSettings) -> Array:
    """(C,) [px] by which points (N, 3) [m] that the others place may be off in each one's picture,
    by the calibrations."""
    some = places[:: max(1, len(places) // 200)]
    found = []
    for camera in cameras:
        others = [k for k in cameras if k is not camera]
        stated = [
            0.0 if k.calibration is not None else k.registration_sd or settings.calibration
            for k in others
        ]
        gain = gains(others, some, np.ones((len(some), len(others))))
        own = camera.registration_sd or settings.calibration
        ring = ring_errors(others, some, gain, np.array(stated))
        found.append(picture_offset(replace(camera, registration_sd=own), ring))
    return np.array(found)


def _as_moved(
    cameras: Sequence[Camera],
    frames: Sequence[Sequence[DotsInFrame]],
    which: int,
    settings: MeetSettings,
) -> _Trial | None:
    """One camera placed anew by points of the others; None where these do not tell."""
    others = [k for i, k in enumerate(cameras) if i != which]
    places, spreads, dots = [], [], []
    for views in frames:
        rest = [v for i, v in enumerate(views) if i != which]
        position, covariance, _, _ = points_in_frame(others, rest, settings=settings)
        places.append(position)
        spreads.append(covariance)
        dots.append(views[which].uv)
    camera = cameras[which]
    shift = _voted(camera, places, dots)
    if shift is None:
        return None
    now, found, pairs = camera, None, 0
    for number, gate in enumerate(GATES):
        first = shift if number == 0 else np.zeros(2)
        point, spread, uv = _matched(now, places, spreads, dots, gate, first)
        if len(point) < FEWEST:
            return None
        some = np.unique(np.linspace(0, len(point) - 1, 300).round().astype(int))
        slopes = project_jacobian(now, point[some])
        own = np.einsum("kip,kpq,kiq->k", slopes, spread[some], slopes) / 2.0
        sd = np.sqrt(own + 2.0 * settings.calibration**2)
        found = moved_camera(camera, point[some], uv[some], sd)
        now, pairs = found.camera, len(point)
    assert found is not None
    inside = sum(int(in_view(now, project(now, p)).sum()) for p in places)
    if pairs < AGREE * inside or found.left > 0.5 * found.off:
        return None
    as_is = [*cameras[:which], now, *cameras[which + 1 :]]
    return _Trial(which, found, pairs, _agreement(as_is, frames, settings).score)


def _voted(camera: Camera, places: Sequence[Array], dots: Sequence[Array]) -> Array | None:
    """(2,) [px] the shift of the picture that puts most points on dots; None without any."""
    apart = [
        (uv[None] - project(camera, place)[:, None]).reshape(-1, 2)
        for place, uv in zip(places, dots, strict=True)
    ]
    every = np.concatenate(apart)
    every = every[np.isfinite(every[:, 0]) & (np.abs(every).max(axis=1) < REACH)]
    if len(every) < FEWEST:
        return None
    edges = np.arange(-REACH, REACH + BIN, BIN)
    count, _, _ = np.histogram2d(every[:, 0], every[:, 1], bins=[edges, edges])
    # A roll or a shift of the camera spreads the images' shifts: bins count with their neighbours.
    wide = sum(np.roll(count, (a, b), (0, 1)) for a in (-1, 0, 1) for b in (-1, 0, 1))
    row, column = np.unravel_index(int(np.argmax(wide)), count.shape)
    middle = np.array([edges[row], edges[column]]) + 0.5 * BIN
    near = every[np.abs(every - middle).max(axis=1) <= 1.5 * BIN]
    return np.asarray(np.median(near, axis=0))


def _matched(
    camera: Camera,
    places: Sequence[Array],
    spreads: Sequence[Array],
    dots: Sequence[Array],
    gate: float,
    shift: Array,
) -> tuple[Array, Array, Array]:
    """Points (M, 3), their covariance (M, 3, 3) and dots (M, 2) nearest to each other, within a
    gate [px] of where the camera sees the points, shifted."""
    found = []
    for place, spread, uv in zip(places, spreads, dots, strict=True):
        if not len(place) or not len(uv):
            continue
        image = project(camera, place) + shift
        away = np.linalg.norm(image[:, None] - uv[None], axis=2)
        away = np.where(np.isfinite(away), away, np.inf)
        dot = away.argmin(axis=1)
        mutual = away.argmin(axis=0)[dot] == np.arange(len(place))
        good = mutual & (away[np.arange(len(place)), dot] < gate)
        found.append((place[good], spread[good], uv[dot[good]]))
    if not found:
        return np.empty((0, 3)), np.empty((0, 3, 3)), np.empty((0, 2))
    return tuple(np.concatenate(parts) for parts in zip(*found, strict=True))  # type: ignore[return-value]


def _two(cameras: Sequence[Camera], dots: int, points: int) -> str:
    one, two = (k.name for k in cameras)
    return (
        f"of {dots} dots in {one} and {two} only {points} meet in space: one of the two was moved "
        "since they were calibrated, or they do not expose together; a third would tell"
    )


def _disagree(dots: int, points: int) -> str:
    return (
        f"of {dots} dots only {points} meet in space, and no move of one camera explains it: "
        "calibrate all anew, and check that they expose together"
    )


def _said(best: _Trial) -> str:
    found = best.found
    return (
        f"it was moved since it was calibrated: {best.seen} images of points that the other "
        f"cameras place are off by {found.off:.3g} px RMS, {found.left:.2g} px as it stands now, "
        f"{found.how}"
    )
