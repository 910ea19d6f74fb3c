"""Pictures that people judge a search by: what was found on some images, and the instruments."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lashwave.instruments import frame_time, in_view, project
from lashwave.quantities import Camera, Found, Located, Markers, Pictures
from lashwave.report import Still, draw, draw_health

HEALTH = "instruments-health.png"
"""How well the cameras that show dots agree, and how well flashes keep to the samples."""


def sheets(folder: Path, pictures: Pictures, found: Found, count: int) -> None:
    """Write one PNG a camera, of `count` images with what was found marked on them."""
    for camera in pictures.trial.cameras:
        if camera.name in found.cameras:
            stills = _fast_stills(pictures, camera.name, found.cameras[camera.name], count)
        elif camera.name in pictures.frames and found.markers is not None:
            now = dict(found.placed).get(camera.name, camera.projection)
            stills = _dots(pictures, replace(camera, projection=now), found.markers, count)
        else:
            continue
        draw(folder / f"{camera.name}.png", f"{pictures.trial.name}, camera {camera.name}", stills)
    clocks = {n: one.clock_health for n, one in found.cameras.items() if one.clock_health}
    if found.health or clocks:
        title = f"{pictures.trial.name}, instruments"
        draw_health(folder / HEALTH, title, found.health, clocks)


def _spread(frames: NDArray[np.int64], count: int) -> list[int]:
    return sorted({int(f) for f in frames[np.linspace(0, frames.size - 1, count).astype(int)]})


def _fast_stills(pictures: Pictures, name: str, located: Located, count: int) -> list[Still]:
    """Images in which the tip was found, or else fronts, or spread over the record."""
    film, tip, fronts = pictures.frames[name], located.tip, located.fronts
    everywhere = np.arange(len(film)) if fronts is None else np.unique(fronts.frame)
    if tip is not None:
        everywhere = tip.frame
    stills = []
    for frame in _spread(everywhere, count):
        at = np.empty((0, 2)) if fronts is None else fronts.uv[fronts.frame == frame]
        place = None if tip is None else tip.uv[tip.frame == frame][0]
        stills.append(Still(f"image {frame}", film[frame], place, at))
    return stills


def _dots(pictures: Pictures, camera: Camera, markers: Markers, count: int) -> list[Still]:
    """Images spread over the record, with the labelled markers as the camera should see them."""
    film = pictures.frames[camera.name]
    times = frame_time(camera.rate, camera.counted(np.arange(len(film))), camera.clock.offset)
    sample = np.rint((times - markers.time[0]) * markers.rate).astype(int)
    stills = []
    for frame in _spread(np.flatnonzero((sample >= 0) & (sample < markers.time.size)), count):
        place = markers.position[sample[frame]]
        uv = project(camera, place[np.isfinite(place[:, 0])])
        stills.append(Still(f"image {frame}", film[frame], dots=uv[in_view(camera, uv)]))
    return stills
