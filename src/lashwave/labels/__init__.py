"""Room: labels. Which dot is which station: tracks of points, labels, exchanged labels mended."""

from lashwave.labels.label_settings import LabelSettings, LinkSettings
from lashwave.labels.point_tracks import Tracker
from lashwave.labels.relabel import completed, label_markers, repair

__all__ = [
    "LabelSettings",
    "LinkSettings",
    "Tracker",
    "completed",
    "label_markers",
    "repair",
]
