"""Views that share a film: each is searched by itself, in its own window of the pictures."""

from __future__ import annotations

from dataclasses import replace

from lashwave.instruments import windowed
from lashwave.quantities import Camera, Frames, Located, PartOfFilm


def own_view(camera: Camera, film: Frames) -> tuple[Camera, Frames]:
    """A camera and its pictures by its window alone; as they were where it has none."""
    if camera.window is None:
        return camera, film
    return windowed(camera), PartOfFilm(film, camera.window)


def in_film(camera: Camera, located: Located) -> Located:
    """What was found in a camera's own view, in pixels [px] of the whole film."""
    if camera.window is None:
        return located
    corner, tip, fronts = camera.window.corner, located.tip, located.fronts
    return replace(
        located,
        tip=None if tip is None else replace(tip, uv=tip.uv + corner),
        fronts=None if fronts is None else replace(fronts, uv=fronts.uv + corner),
    )
