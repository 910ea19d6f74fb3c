"""What a calibration gives beside the calibration itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.calibration import Calibration

Array = NDArray[np.float64]
COVERED = 0.5
"""Share of the image, in 6 x 6 fields, that points should fall in."""


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
    """Share of the 6 x 6 fields of an image in which at least one point (n, 2) falls."""
    field = np.floor(6 * (uv + 0.5) / np.asarray(size, dtype=float)).astype(int)
    inside = ((field >= 0) & (field < 6)).all(axis=1)
    return len({(int(a), int(b)) for a, b in field[inside]}) / 36.0


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
        found.append(f"points fall in {share:.0%} of the image; beyond them the fit extrapolates")
    if condition > 1e5:
        found.append(f"the fit is badly conditioned ({condition:.1g}): spread the points more")
    return found
