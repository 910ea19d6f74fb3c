"""Markers in pictures: dots, and their places in space."""

from lashwave.points.dots.dot_settings import DotSettings, MeetSettings
from lashwave.points.dots.find_dots import dots_joined, find_dots, stream_dots, with_gain
from lashwave.points.dots.marker_points import locate_markers, moved_by_points, said_of

__all__ = [
    "DotSettings",
    "MeetSettings",
    "dots_joined",
    "find_dots",
    "locate_markers",
    "moved_by_points",
    "said_of",
    "stream_dots",
    "with_gain",
]
