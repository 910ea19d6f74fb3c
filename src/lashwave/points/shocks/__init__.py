"""Shock and pressure fronts in the pictures of a schlieren camera."""

from lashwave.points.shocks.curves import FrontCurve, find_curves
from lashwave.points.shocks.find_fronts import (
    at_speed,
    crossing_fronts,
    image_scale,
    pieces_in,
    points_of,
    wandering_fronts,
)
from lashwave.points.shocks.front_tracks import Front
from lashwave.points.shocks.shock_settings import ShockSettings

__all__ = [
    "Front",
    "FrontCurve",
    "ShockSettings",
    "at_speed",
    "crossing_fronts",
    "find_curves",
    "image_scale",
    "pieces_in",
    "points_of",
    "wandering_fronts",
]
