"""The numbers by which fronts are found and followed, each with what it is and what set it.

Where a field names no source, its value was set by trial on rendered rings and on twelve real
frames (`tests/points/test_real_fronts.py`) and is checked only by the tests of fronts.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class CurveSettings:
    """How curves are found in one image."""

    scale: float = 2.0
    """Standard deviation of the smoothing [px]; at least 1."""
    low: float = 5.0
    """Slope that an edgel must have, in standard deviations of the slope in the empty field."""
    high: float = 9.0
    """Slope that some edgel of a curve must have (hysteresis)."""
    apart: float = 6.0
    """Of two parallel edges closer than this the weaker is dropped [px]."""
    band: float = 15.0
    """Widest band of light or dark that is one front's [px]."""
    length: float = 40.0
    """Shortest curve kept [px]."""
    gap: float = 14.0
    """Longest gap bridged [px], as dust and wires leave."""
    corner: float = 0.5
    """A curve that turns by more than this [rad] over three points is parted there: two fronts
    that meet. A ring under 3 `spacing` / `corner` = 36 px in radius is broken up by it."""
    spacing: float = 6.0
    """Between points of a curve [px]; at 3 times the scale their errors are nearly independent
    (correlation exp(-9/4) = 0.1 for white noise)."""
    pixel_sd: float = 0.05
    """Of a place along the normal, for what the parabola leaves of the pixel's phase [px]."""
    parallel: float = 0.85
    """Least cosine between the normals of the two edges of one band."""


@dataclass(frozen=True)
class FollowSettings:
    """How curves are joined over frames; displacements along the normal in px a frame."""

    slowest: float = 0.0
    """Least displacement of a front between neighbouring frames."""
    fastest: float = 30.0
    """Greatest displacement of a front between neighbouring frames."""
    change: float = 12.0
    """Greatest change of the displacement from one frame to the next."""
    alike: float = 10.0
    """Greatest difference of the displacement between pieces of one front."""
    join: float = 40.0
    """Longest gap between pieces of one front that lie in line [px]."""
    missing: int = 1
    """Frames in a row that a front may be missed in."""
    points: int = 5
    """Least points of a curve that must meet."""
    bend: float = 0.8
    """Least cosine between normals that meet."""
    frames: int = 3
    """Least frames that a front is kept for."""
    covered: float = 0.35
    """Share of the shorter of two curves that must meet."""
    pixel_sd: float = 0.05
    """Of a median displacement, for what the parabola leaves of the pixel's phase [px]."""
    overlap: float = 0.2
    """Share of its points that two continuations of one curve may have in common."""


@dataclass(frozen=True)
class PictureSettings:
    """How what stands still is taken out of the images."""

    opaque: float = 0.7
    """A body takes more than this share of the light."""
    rim: int = 7
    """Width of its rim, in which no front is looked for [px]."""
    most_frames: int = 25
    """Frames in memory at once for a median: memory does not grow with the record."""
    body: int = 61
    """Side of the square that a solid body covers in every frame [px]."""


@dataclass(frozen=True)
class ShockSettings:
    """Everything by which fronts are found in a record."""

    pictures: PictureSettings = PictureSettings()
    curves: CurveSettings = CurveSettings()
    following: FollowSettings = FollowSettings()
    slowest: float = 0.8
    """Least speed of a front over that of sound [1]."""
    fastest: float = 1.3
    """Greatest speed of a front over that of sound [1]: an overpressure of 0.8 bar by
    Rankine-Hugoniot (M = 1.3), beyond any whip crack at a distance that a camera resolves."""
    change: float = 0.1
    """Greatest change of the displacement from frame to frame, as a share of sound's."""
    change_by: float = 2.0
    """And this much more [px]."""
    move: float = 4.0
    """A wandering front leaves its place by this many standard deviations, and by half a pixel; a
    body's edge does not."""


CURVES = CurveSettings()
FOLLOWING = FollowSettings()
PICTURES = PictureSettings()
CROSSING = ShockSettings()
"""Fronts that cross the view, as `lashwave locate` looks for them."""
WANDERING = ShockSettings(following=FollowSettings(change=60.0, alike=20.0))
"""Fronts that wander about a place and have no pace to go by."""
