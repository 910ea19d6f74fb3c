"""Points in space that several cameras saw together, before they have a label."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array


@dataclass(frozen=True)
class SpacePoints:
    """P points of cameras that expose at the same times, by frame."""

    frame: NDArray[np.int64]
    """(P,) not falling"""
    position: Array
    """(P, 3) [m], lab frame."""
    covariance: Array
    """(P, 3, 3) [m2]"""
    views: NDArray[np.int64]
    """(P, C) index into each camera's dots; -1 where the camera did not see the point."""
    chi2: Array
    """(P,) of the image residuals, 2 times the cameras less 3 degrees of freedom."""
    track: NDArray[np.int64]
    """(P,) number of the point's track over time."""

    @property
    def sd(self) -> Array:
        """(P,) root-mean-square standard deviation of a coordinate [m]."""
        return np.asarray(np.sqrt(np.trace(self.covariance, axis1=1, axis2=2) / 3.0))
