"""How a camera maps the lab to its images, as a calibration found it, with its covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from lashwave.quantities.arrays import Array


@dataclass(frozen=True)
class SharedErrors:
    """How the errors of a camera's calibration go with those of another, adjusted together."""

    camera: str
    """The other's name."""
    parameters: tuple[str, ...]
    """Names of the Q parameters of the other that were fitted."""
    covariance: Array
    """(P, Q) of one's own parameters with these, each in its parameter's unit."""


@dataclass(frozen=True)
class Calibration:
    """The optics of one camera: what a trial's `calibration` file holds."""

    size: tuple[int, int]
    """Width, height of the images [px]."""
    projection: Array
    """(3, 4): homogeneous lab metres to px, without the lens. Last row [0, 0, 0, 1] = parallel
    light. With a pose it is intrinsics @ [R | t]."""
    intrinsics: Array | None = None
    """(3, 3): [[fx, 0, cx], [0, fy, cy], [0, 0, 1]] [px]; None for parallel light or a plain
    DLT."""
    distortion: Array | None = None
    """(5,): k1, k2, p1, p2, k3 (Brown 1971), with `intrinsics` only. Of a fisheye lens (4,)."""
    rotation: Array | None = None
    """(3,) rotation vector from lab to camera axes [rad]; None without a pose. Of a view in a
    mirror: to camera axes whose x is then turned about."""
    translation: Array | None = None
    """(3,) [m]: a lab point X stands at R X + translation in camera axes; None without a pose."""
    mirrored: bool = False
    """A view in a mirror: projection is intrinsics @ diag(-1, 1, 1) @ [R | t]."""
    parameters: tuple[str, ...] = ()
    """Names of the P parameters that were fitted, in the order of `covariance`."""
    covariance: Array = field(default_factory=lambda: np.empty((0, 0)))
    """(P, P), each row in its parameter's unit: px, rad, m or 1."""
    registration_sd: float = 0.0
    """How well the projection is known, as an offset in the image [px]."""
    reprojection_sd: float = 0.0
    """Standard deviation of one image coordinate about the fit [px]: the root of the sum of
    squares over the degrees of freedom, not over their number."""
    degrees_of_freedom: int = 0
    """Image coordinates used less parameters fitted."""
    images: int = 0
    """Images used."""
    points: int = 0
    """Points used, over all images."""
    camera: str = ""
    """Its name; empty where the file does not say."""
    adjustment: str = ""
    """What tells the adjustment of several cameras that it comes from; empty for one alone."""
    shared: tuple[SharedErrors, ...] = ()
    """With each other camera of that adjustment."""

    def sd(self, parameter: str) -> float:
        """Standard deviation of one parameter, in its unit; raises KeyError for one not fitted."""
        if parameter not in self.parameters:
            raise KeyError(parameter)
        place = self.parameters.index(parameter)
        return float(np.sqrt(self.covariance[place, place]))

    def shared_with(self, other: Calibration) -> Array | None:
        """(P, Q) covariance of its parameters with another's, [px], [rad], [m] or [1]; None where
        none is known."""
        if self.adjustment and self.adjustment == other.adjustment:
            if self.camera == other.camera and self.parameters == other.parameters:
                return self.covariance
            for block in self.shared:
                if block.camera == other.camera and block.parameters == other.parameters:
                    return block.covariance
        return None


def joint_covariance(calibrations: Sequence[Calibration]) -> Array:
    """(S, S) covariance of the fitted parameters of all, [px], [rad], [m] or [1].

    One camera's come after the other's. What two calibrations do not state of one another is
    taken as independent.
    """
    counts = [len(c.parameters) for c in calibrations]
    ends = np.cumsum([0, *counts])
    whole = np.zeros((ends[-1], ends[-1]))
    for i, one in enumerate(calibrations):
        mine = slice(ends[i], ends[i + 1])
        whole[mine, mine] = one.covariance
        for j in range(i):
            block = one.shared_with(calibrations[j])
            if block is not None:
                theirs = slice(ends[j], ends[j + 1])
                whole[mine, theirs], whole[theirs, mine] = block, block.T
    return whole
