"""Shock and pressure fronts in the images of one camera: found and numbered.

A front that moves through gas at rest at the speed of sound or a little above is parted from the
line, dust and bodies by that: `at_speed` takes the range of normal displacements a frame from
the camera's rate and scale. Range of the method: fronts at least as long as
`CurveSettings.length`, further apart than their own thickness, moving less than `fastest` a frame.

What stands still is taken away first, in one of two ways. Where fronts cross the view (a crack at
20 kHz) the temporal median is the empty picture, wires and dust included, and the difference from
it is the event. Where a front only wanders about one place (a shock in a passage) the median would
keep it, so only bodies and axis-parallel wires are taken away, by their shape.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lashwave.instruments import project_jacobian
from lashwave.points.shocks.curves import FrontCurve, find_curves
from lashwave.points.shocks.front_tracks import Front, fronts_through
from lashwave.points.shocks.shock_settings import (
    CROSSING,
    PICTURES,
    WANDERING,
    PictureSettings,
    ShockSettings,
)
from lashwave.quantities import Array, Camera, Frames, Fronts, Mask, OutOfRangeError, Single


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


def at_speed(
    camera: Camera, speed: float, at: Array | None = None, settings: ShockSettings = CROSSING
) -> ShockSettings:
    """Settings to follow fronts that move at about `speed` [m/s] along their normal.

    Parameters
    ----------
    camera : its rate and scale turn a speed into pixels a frame.
    at : (3,) [m], as for `image_scale`.
    settings : `slowest` and `fastest` say within which shares of the speed.

    Raises
    ------
    OutOfRangeError
        Where the camera has no one scale (`image_scale`).
    """
    pace = speed * image_scale(camera, at) / camera.rate
    following = replace(
        settings.following,
        slowest=settings.slowest * pace,
        fastest=settings.fastest * pace,
        change=settings.change * pace + settings.change_by,
    )
    return replace(settings, following=following)


def crossing_fronts(
    frames: Frames, settings: ShockSettings = CROSSING, chosen: Iterable[int] | None = None
) -> list[Front]:
    """Fronts that cross the view: the temporal median of the record is taken away first.

    Parameters
    ----------
    settings : `at_speed` gives those of a camera.
    chosen : frames to search, increasing; all by default.
    """
    still = still_picture(frames, settings.pictures)
    light = even_light(still)
    rim = np.ones((settings.pictures.rim, settings.pictures.rim), np.uint8)
    seen = []
    for frame in range(len(frames)) if chosen is None else chosen:
        change = moving_part(frames[int(frame)], still, light)
        # The line itself moves as fast as the fronts: its edges are none.
        opaque = cv2.dilate((change < -settings.pictures.opaque).view(np.uint8), rim)
        seen.append((int(frame), find_curves(change, settings.curves, opaque.view(np.bool_))))
    return fronts_through(seen, settings.following)


def wandering_fronts(
    frames: Frames, settings: ShockSettings = WANDERING, chosen: Iterable[int] | None = None
) -> list[Front]:
    """Fronts that wander about a place: bodies and wires are taken away, then what never moves.

    Frames that are `chosen`, all by default, are searched. A front whose place along its normal
    stays within `settings.move` standard deviations, or within half a pixel, over all its frames
    is a body's edge and is left out.
    """
    hidden = bodies(frames, settings.pictures)
    through = wires(still_picture(frames, settings.pictures))
    seen = []
    for frame in range(len(frames)) if chosen is None else chosen:
        picture = np.asarray(frames[int(frame)], dtype=np.float32) / through
        seen.append((int(frame), find_curves(picture, settings.curves, hidden)))
    found = fronts_through(seen, settings.following)
    kept = [front for front in found if moves(front, settings.move)]
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


def pieces_in(front: Front, frame: int) -> tuple[FrontCurve, ...]:
    """Pieces of a front in one frame; empty where it was not seen."""
    at = np.flatnonzero(front.frame == frame)
    return front.pieces[int(at[0])] if at.size else ()


def still_picture(frames: Frames, settings: PictureSettings = PICTURES) -> Single:
    """Temporal median (H, W) [grey levels] of up to `most_frames` frames, spread over the record.

    Each frame is first scaled to the brightness of the first, so that a strobe flash does not
    count. What covers a pixel in more than half of the frames stays in.
    """
    chosen = np.unique(
        np.linspace(0, len(frames) - 1, min(settings.most_frames, len(frames))).round().astype(int)
    )
    stack = np.stack([np.asarray(frames[int(f)], dtype=np.float32) for f in chosen])
    level = np.median(stack[:, ::4, ::4], axis=(1, 2))
    level = np.where(level > 0.0, level, 1.0)
    stack *= (level[0] / level)[:, None, None].astype(np.float32)
    return np.asarray(np.median(stack, axis=0), dtype=np.float32)


def even_light(still: Single, smooth: float = 25.0) -> Single:
    """The still picture (H, W) smoothed over `smooth` [px], at least a tenth of its brightest."""
    light = cv2.GaussianBlur(still, (0, 0), smooth)
    return np.asarray(np.maximum(light, 0.1 * float(light.max()) or 1.0), dtype=np.float32)


def moving_part(image: NDArray[np.generic], still: Single, light: Single) -> Single:
    """Relative change of a frame from the still picture, (height, width) [1].

    The frame's own brightness is fitted out by a median ratio, and the change is divided by the
    light (`even_light`), so that the rim of the light counts as its middle.
    """
    now = np.asarray(image, dtype=np.float32)
    some, base = now[::4, ::4], still[::4, ::4]
    bright = base > 0.5 * np.percentile(base, 90)
    gain = float(np.median(some[bright] / base[bright])) if bright.any() else 1.0
    return np.asarray((now / max(gain, 1e-6) - still) / light, dtype=np.float32)


def bodies(frames: Frames, settings: PictureSettings = PICTURES) -> Mask:
    """Solid bodies: dark in every frame over a square of `settings.body` px at least; true inside.

    A dark shock is narrower or moves. "Dark" is below the level that best parts the histogram in
    two (Otsu, IEEE Trans. Syst. Man Cybern. 9 (1979) 62) of the brightest that each pixel gets,
    if that level parts classes at least a factor two apart; else there is no body.
    """
    chosen = np.unique(
        np.linspace(0, len(frames) - 1, min(settings.most_frames, len(frames))).round().astype(int)
    )
    brightest = np.max([np.asarray(frames[int(f)], dtype=np.float32) for f in chosen], axis=0)
    counts, edges = np.histogram(brightest, 256)
    middle = 0.5 * (edges[1:] + edges[:-1])
    low = np.cumsum(counts).astype(float)
    high = low[-1] - low
    mean_low = np.cumsum(counts * middle) / np.maximum(low, 1.0)
    mean_high = (np.sum(counts * middle) - low * mean_low) / np.maximum(high, 1.0)
    best = int(np.argmax(low * high * (mean_high - mean_low) ** 2))
    if mean_high[best] < 2.0 * mean_low[best]:
        return np.zeros(brightest.shape, dtype=bool)
    dark = brightest < edges[best + 1]
    # Past the border counts as dark, so that a body cut by the edge of the picture is one.
    wide = np.pad(dark, settings.body, constant_values=True)
    core = ndimage.minimum_filter(wide, settings.body)
    grown = ndimage.maximum_filter(core, settings.body)[
        settings.body : -settings.body, settings.body : -settings.body
    ]
    return np.asarray(grown & dark)


def wires(still: Single, width: int = 7, length: int = 81) -> Single:
    """Share (H, W) [1] of the light that thin straight wires along rows and columns let through.

    Parameters
    ----------
    still : (H, W) the still picture of the record; frames are divided by the result.
    width : widest wire [px]; length : least length over which it is straight [px].

    Notes
    -----
    A wire is what differs from the median across it (window 3 x `width`) and goes on alike along
    it (median over `length`). Holds for wires within about width / length (5 deg) of an axis. A
    front that stands along an axis for `length` px would go too, so it must not be used where one
    is expected to.
    """
    log = np.log(np.maximum(still, 1.0))
    result = np.zeros_like(log)
    for axis in (0, 1):
        across, along = [1, 1], [1, 1]
        across[axis], along[1 - axis] = 3 * width, length
        ridge = log - result - ndimage.median_filter(log - result, across)
        wire = ndimage.median_filter(ridge, along)
        noise = 1.4826 * float(np.median(np.abs(ridge)))
        result += np.where(np.abs(wire) > noise, wire, 0.0).astype(np.float32)
    return np.asarray(np.exp(result), dtype=np.float32)
