"""What a calibration gives beside the calibration itself."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.calibration import Calibration

Array = NDArray[np.float64]
COVERED = 0.4
"""Share of the image that the points should span."""


@dataclass(frozen=True)
class Calibrated:
    """A calibration, what it was judged by, and what to know about it."""

    calibration: Calibration
    residuals: Array
    """(n, 2) [px], seen less predicted, of every point."""
    used: NDArray[np.bool_]
    """(n,) false for points left out."""
    condition: float
    """Of the scaled Jacobian; nan where it was not looked at."""
    warnings: tuple[str, ...] = ()


def coverage(uv: Array, size: tuple[int, int]) -> float:
    """Share of an image that lies among points (n, 2), within their convex hull."""
    if len(uv) < 3:
        return 0.0
    hull = cv2.convexHull(np.asarray(uv, dtype=np.float32))
    return float(cv2.contourArea(hull)) / (size[0] * size[1])


def common_warnings(
    uv: Array, used: NDArray[np.bool_], size: tuple[int, int], condition: float
) -> list[str]:
    """What is worth saying of any fit to image points: outliers, coverage, conditioning."""
    found = []
    out = int((~used).sum())
    if out:
        found.append(f"{out} of {used.size} points lie far off the fit and were left out")
    share = coverage(uv[used], size)
    if share < COVERED:
        found.append(f"the points span {share:.0%} of the image; beyond them the fit extrapolates")
    if condition > 1e5:
        found.append(f"the fit is badly conditioned ({condition:.1g}): spread the points more")
    return found
