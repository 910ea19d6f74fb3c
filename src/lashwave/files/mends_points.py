"""Mends of a camera: its clock, and points that were tracked in its images."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from lashwave.files.fields import Fields
from lashwave.quantities import Camera

LAST = 2**53
"""No frame has a larger number."""


def place(mend: Fields, cameras: tuple[Camera, ...]) -> int:
    """Which camera a mend is of.

    Raises InputError for a camera that the trial has not, or that has no points.
    """
    name = mend.text("camera")
    names = [camera.name for camera in cameras]
    if name not in names:
        raise mend.fault("camera", f"{name!r} is no camera of the trial", "name one with points")
    return names.index(name)


def set_clock(mend: Fields, root: Fields, camera: Camera) -> tuple[Camera, str]:
    """Another offset of a camera's clock, and how well it is known."""
    offset = mend.number("offset", "time", low=-1e6, high=1e6)
    sd = mend.number("offset_sd", "time", camera.clock.offset_sd, 0.0, 10.0)
    clock = replace(camera.clock, offset=offset, offset_sd=sd)
    return replace(camera, clock=clock), f"clock offset of camera {camera.name} set to {offset:g} s"


def reject(mend: Fields, root: Fields, camera: Camera) -> tuple[Camera, str]:
    """Points of a feature, or of all, within a span of frames set aside.

    Raises InputError for a span that ends before it begins.
    """
    begin, end = _frame(mend, "from", 0), _frame(mend, "to", LAST)
    if end < begin:
        raise mend.fault("to", f"frame {end} is before {begin}", "give the later frame")
    gone = (camera.frame >= begin) & (camera.frame <= end)
    said = "points"
    if mend.has("feature"):
        name, station = _feature(mend, root, camera)
        gone &= camera.station == station
        said = f"points of {name}"
    count = int(gone.sum())
    return _kept(camera, ~gone), f"{count} {said} in camera {camera.name} set aside"


def correct(mend: Fields, root: Fields, camera: Camera) -> tuple[Camera, str]:
    """A feature's place in one frame: moved where it was tracked, added where it was not."""
    name, station = _feature(mend, root, camera)
    frame = _frame(mend, "frame", None)
    width, height = camera.size
    u = mend.number("u", "pixel", low=-width, high=2.0 * width)
    v = mend.number("v", "pixel", low=-height, high=2.0 * height)
    sd = mend.number("sd", "pixel", camera.sd, above=0.0, high=1000.0)
    here = (camera.frame == frame) & (camera.station == station)
    rest = _kept(camera, ~here)
    joined = replace(
        rest,
        frame=np.append(rest.frame, np.int64(frame)),
        station=np.append(rest.station, station),
        uv=np.concatenate([rest.uv, [[u, v]]]),
        point_sd=np.append(rest.point_sd, sd),
    )
    order = np.lexsort((joined.station, joined.frame))
    what = f"{name} in frame {frame} of camera {camera.name}"
    if not here.any():
        return _kept(joined, order), f"{what} added at {u:g}, {v:g} px"
    far = float(np.hypot(*(camera.uv[here][0] - (u, v))))
    return _kept(joined, order), f"{what} moved by {far:.3g} px to {u:g}, {v:g} px"


def _kept(camera: Camera, which: Any) -> Camera:
    """The camera with some of its points, in that order."""
    return replace(
        camera,
        frame=camera.frame[which],
        station=camera.station[which],
        uv=camera.uv[which],
        point_sd=camera.point_sd[which],
    )


def _feature(mend: Fields, root: Fields, camera: Camera) -> tuple[str, float]:
    """A feature's name and its station [m], as the camera's description gives it."""
    name = mend.text("feature")
    for table in root.subs("cameras"):
        stations = table.sub("stations")
        if table.get("name", None) == camera.name and stations is not None and stations.has(name):
            return name, float(stations.number(name, "length"))
    raise mend.fault(
        "feature", f"{name!r} has no station in camera {camera.name}", "name one that has"
    )


def _frame(mend: Fields, key: str, default: int | None) -> int:
    """A whole number from 0."""
    if default is not None and not mend.has(key):
        return default
    value = mend.get(key)
    whole = isinstance(value, int | float) and not isinstance(value, bool)
    if not whole or not math.isfinite(value) or value != int(value) or not 0 <= value <= LAST:
        raise mend.fault(key, f"{value!r} is no frame", "write a whole number from 0")
    return int(value)
