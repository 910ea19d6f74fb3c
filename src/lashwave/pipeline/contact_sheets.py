"""Which images go on a contact sheet, and what was found in each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lashwave.instruments import in_view, project
from lashwave.quantities import Camera, Found, Located, Markers, Pictures
from lashwave.report import Still, draw


def sheets(folder: Path, pictures: Pictures, found: Found, count: int) -> None:
    """Write one PNG a camera, of `count` images with what was found marked on them."""
    for camera in pictures.trial.cameras:
        if camera.name in found.cameras:
            stills = _fast(pictures, camera.name, found.cameras[camera.name], count)
        elif camera.name in pictures.frames and found.markers is not None:
            stills = _dots(pictures, camera, found.markers, count)
        else:
            continue
        draw(folder / f"{camera.name}.png", f"{pictures.trial.name}, camera {camera.name}", stills)


def _spread(frames: NDArray[np.int64], count: int) -> list[int]:
    return sorted({int(f) for f in frames[np.linspace(0, frames.size - 1, count).astype(int)]})


def _fast(pictures: Pictures, name: str, located: Located, count: int) -> list[Still]:
    """Images in which the tip was found, or spread over the record where it never was."""
    film, tip, fronts = pictures.frames[name], located.tip, located.fronts
    everywhere = np.arange(len(film)) if tip is None else tip.frame
    stills = []
    for frame in _spread(everywhere, count):
        at = np.empty((0, 2)) if fronts is None else fronts.uv[fronts.frame == frame]
        place = None if tip is None else tip.uv[tip.frame == frame][0]
        stills.append(Still(f"image {frame}", film[frame], place, at))
    return stills


def _dots(pictures: Pictures, camera: Camera, markers: Markers, count: int) -> list[Still]:
    """Images spread over the record, with the labelled markers as the camera should see them."""
    film = pictures.frames[camera.name]
    stills = []
    for frame in _spread(np.arange(min(len(film), markers.time.size)), count):
        place = markers.position[frame]
        uv = project(camera, place[np.isfinite(place[:, 0])])
        stills.append(Still(f"image {frame}", film[frame], dots=uv[in_view(camera, uv)]))
    return stills
