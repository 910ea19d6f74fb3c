"""What a calibration gave, to be written and printed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from lashwave.calibrate import Calibrated


@dataclass(frozen=True)
class CalibrationOutcome:
    """What a plan gave."""

    kind: str
    cameras: tuple[tuple[str, Calibrated, Path], ...]
    """Name, calibration and file of each camera."""
    left_out: tuple[str, ...]
    """Labels of the points that did not fit, as far as they have any."""
    notes: tuple[str, ...] = ()
    """What is worth knowing of the whole."""
    facts: tuple[tuple[str, float, float | None, str], ...] = ()
    """Name, value, sd and unit of what is no camera's own."""
