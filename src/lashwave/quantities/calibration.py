"""How a camera maps the lab to its images, as a calibration found it, with its covariance."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lashwave.quantities.arrays import Array


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

    def sd(self, parameter: str) -> float:
        """Standard deviation of one parameter, in its unit; raises KeyError for one not fitted."""
        if parameter not in self.parameters:
            raise KeyError(parameter)
        place = self.parameters.index(parameter)
        return float(np.sqrt(self.covariance[place, place]))
