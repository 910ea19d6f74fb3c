"""Shock and pressure fronts in the images of one camera: found, numbered, and their speed.

A front that moves through gas at rest at the speed of sound or a little above is told from the
line, dust and bodies by that: `at_speed` takes the range of normal displacements a frame from
the camera's rate and scale. Range of the method: fronts at least as long as
`CurveSettings.length`, further apart than their own thickness, moving less than `fastest` a frame.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from lashwave.instruments.camera import project_jacobian
from lashwave.points.shocks.curves import Curve, CurveSettings, find_curves
from lashwave.points.shocks.flatten import bodies, even_light, moving_part, still_picture, wires
from lashwave.points.shocks.follow import FollowSettings, Front, follow
from lashwave.quantities.arrays import Array
from lashwave.quantities.errors import OutOfRangeError
from lashwave.quantities.images import Frames
from lashwave.quantities.sightings import Camera, Fronts

OPAQUE, RIM = 0.7, 7
"""A body takes more than this share of the light; its rim is this wide [px]."""


def image_scale(camera: Camera, at: Array | None = None) -> float:
    """Pixels a metre of a displacement in the plane across the view [px/m].

    Parameters
    ----------
    at : (3,) [m], the place meant; needed with perspective, where the scale depends on depth.

    Raises
    ------
    OutOfRangeError
        Where the two directions of the image differ by over 1 %, so that one number will not do.
    """
    if at is None and np.any(np.asarray(camera.projection)[2, :3] != 0.0):
        raise OutOfRangeError(f"{camera.name} has perspective: give the place for its scale")
    jacobian = project_jacobian(camera, np.zeros(3) if at is None else at)
    scale = np.linalg.svd(jacobian, compute_uv=False)[:2]
    if scale[0] > 1.01 * scale[1]:
        raise OutOfRangeError(
            f"{camera.name}: {scale[0]:.4g} and {scale[1]:.4g} px/m in two directions"
        )
    return float(scale.mean())


def at_speed(camera: Camera, speed: float, at: Array | None = None) -> FollowSettings:
    """Settings to follow fronts that move within 0.8 to 1.3 times `speed` [m/s].

    The upper bound is an overpressure of 0.8 bar (Rankine-Hugoniot, M = 1.3), beyond any whip
    crack at a distance that a camera resolves.
    """
    pace = speed * image_scale(camera, at) / camera.rate
    return FollowSettings(slowest=0.8 * pace, fastest=1.3 * pace, change=0.1 * pace + 2.0)


def crossing_fronts(
    frames: Frames,
    curves: CurveSettings | None = None,
    following: FollowSettings | None = None,
    chosen: Iterable[int] | None = None,
) -> list[Front]:
    """Fronts that cross the view: the temporal median of the record is taken away first.

    Parameters
    ----------
    chosen : frames to search, increasing; all by default.
    """
    still = still_picture(frames)
    light = even_light(still)
    seen = []
    for frame in range(len(frames)) if chosen is None else chosen:
        change = moving_part(frames[int(frame)], still, light)
        # The line itself moves as fast as the fronts: its edges are none.
        opaque = cv2.dilate((change < -OPAQUE).view(np.uint8), np.ones((RIM, RIM), np.uint8))
        seen.append((int(frame), find_curves(change, curves, opaque.view(np.bool_))))
    return follow(seen, following)


def wandering_fronts(
    frames: Frames,
    curves: CurveSettings | None = None,
    following: FollowSettings | None = None,
    move: float = 4.0,
) -> list[Front]:
    """Fronts that wander about a place: bodies and wires are taken away, then what never moves.

    Parameters
    ----------
    move : a front whose place along its normal stays within `move` standard deviations, or
        within half a pixel, over all its frames is a body's edge and is left out.
    """
    hidden = bodies(frames)
    through = wires(still_picture(frames))
    seen = [
        (f, find_curves(np.asarray(frames[f], dtype=np.float32) / through, curves, hidden))
        for f in range(len(frames))
    ]
    wandering = following or FollowSettings(change=60.0, alike=20.0)  # no pace to go by
    kept = [front for front in follow(seen, wandering) if moves(front, move)]
    return [replace(front, number=n) for n, front in enumerate(kept)]


def moves(front: Front, times: float = 4.0) -> bool:
    """Whether a front's place along its normal ever leaves the spread of its errors."""
    place = np.concatenate([[0.0], np.cumsum(front.step)])
    noise = max(float(np.median(front.step_sd)), 0.5 / times)
    return bool(np.ptp(place) > times * noise)


def points_of(fronts: Iterable[Front]) -> Fronts:
    """The sightings: all points of all fronts, by front and frame.

    Their sd is of the front itself: that of the edge's place, and by how much the front may stand
    off the edge; the latter is shared along a curve and from frame to frame.
    """
    frame, number, uv, sd = [], [], [np.empty((0, 2))], [np.empty(0)]
    for front in fronts:
        for f, pieces in zip(front.frame, front.pieces, strict=True):
            for piece in pieces:
                frame += [int(f)] * piece.sd.size
                number += [front.number] * piece.sd.size
                uv.append(piece.uv)
                sd.append(np.hypot(piece.sd, piece.stand_off))
    order = np.lexsort((np.asarray(number), np.asarray(frame)))
    return Fronts(
        np.asarray(frame, dtype=np.int64)[order],
        np.asarray(number, dtype=np.int64)[order],
        np.concatenate(uv)[order],
        np.concatenate(sd)[order],
    )


@dataclass(frozen=True)
class FrontSpeed:
    """Speed of one front along its normal, over the frames in which it was seen."""

    number: int
    mean: float
    """[m/s]; a line through its place over time, bright side plus."""
    sd: float
    """[m/s]; of the frames' scatter about that line, or of the points' sd if that is more."""
    frame: Array
    """(F - 1,) middles between neighbouring sightings, in frames"""
    speed: Array
    """(F - 1,) [m/s] between them"""
    speed_sd: Array
    """(F - 1,) [m/s]; neighbours are anti-correlated, for they share a frame's place."""


def front_speed(front: Front, camera: Camera, at: Array | None = None) -> FrontSpeed:
    """Normal speed of a front by the camera's rate and scale (`image_scale`, its `at`).

    The scale's own uncertainty is not in the sd: a scale off by 1 % puts every speed off by 1 %.
    """
    metre = camera.rate / image_scale(camera, at)
    frames = front.frame.astype(float)
    passed = np.diff(frames)
    place = np.concatenate([[0.0], np.cumsum(front.step)])
    x = frames - frames.mean()
    slope = float((x * place).sum() / (x * x).sum())
    left = place - place.mean() - slope * x
    scatter = np.sqrt((left**2).sum() / (frames.size - 2)) if frames.size > 2 else 0.0
    own = float(np.sqrt(np.mean(front.step_sd**2) / 2.0))  # a step is two places
    sd = max(scatter, own) / np.sqrt((x * x).sum())
    return FrontSpeed(
        front.number,
        slope * metre,
        sd * metre,
        0.5 * (frames[1:] + frames[:-1]),
        front.step / passed * metre,
        front.step_sd / passed * metre,
    )


def curve_near(front: Front, frame: int) -> tuple[Curve, ...]:
    """Pieces of a front in one frame; empty where it was not seen."""
    at = np.flatnonzero(front.frame == frame)
    return front.pieces[int(at[0])] if at.size else ()
