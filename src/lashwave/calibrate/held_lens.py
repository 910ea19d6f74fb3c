"""A camera's pose with its lens held: what noise and the lens's errors put into it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lashwave.calibrate import pinhole
from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.calibrate.point_fit import Calibrated, scale_factor
from lashwave.quantities import Array, Calibration


@dataclass(frozen=True)
class Noise:
    """What the noise of its picture does to a camera's pose."""

    sd: float
    """Of one image coordinate [px]."""
    covariance: Array
    """(6, 6) of its pose."""
    by_lens: Array
    """(6, q) derivative of its pose, the lens being held, by the errors of the lens."""
    warnings: tuple[str, ...] = ()


def noise_of(
    lens: Calibration,
    found: Calibrated,
    points: Array,
    sd: float | None,
    weights: Array | None = None,
    settings: CalibrateSettings = CALIBRATE,
) -> Noise:
    """The noise, by residuals of which a part is the lens's own error.

    weights : (n,) of the points' residuals [1]; sd : of one that has weight 1 [px].
    """
    weight = np.ones((len(points), 1)) if weights is None else weights[:, None]
    full = np.concatenate([pinhole.lens_of(lens), pose_of(found.calibration)])
    slope = pinhole.project_points(full, points)[1] * weight[..., None]
    slope = slope[found.used].reshape(-1, full.size)
    rest = (found.residuals * weight)[found.used].ravel()
    solve = np.linalg.pinv(slope[:, -6:])
    by_lens = slope[:, of_lens(lens)[1]]
    # What the pose cannot take up of an error of the lens stays among the residuals.
    left = (by_lens - slope[:, -6:] @ (solve @ by_lens)) @ _root(_lens_errors(lens))
    freedom, now = rest.size - 6, sd or max(found.calibration.reprojection_sd, 1e-9)
    for _ in range(1 if sd is not None else 20):
        unit, common = rest / now, left / now
        pull = common.T @ unit
        share = np.linalg.solve(np.eye(len(pull)) + common.T @ common, pull)
        square = max(float(unit @ unit - pull @ share), 1e-12)
        factor, remark = scale_factor(square, freedom, sd is not None, settings=settings)
        now *= float(np.sqrt(factor))
        if abs(factor - 1.0) < 1e-3:
            break
    return Noise(now, now**2 * solve @ solve.T, -solve @ by_lens, (remark,) if remark else ())


def of_lens(lens: Calibration) -> tuple[list[int], list[int]]:
    """Where the lens's fitted parameters stand among all that were fitted, and among all."""
    names = pinhole.names_of(pinhole.lens_of(lens).size)
    here = [i for i, name in enumerate(lens.parameters) if name in names]
    return here, [names.index(lens.parameters[i]) for i in here]


def _lens_errors(lens: Calibration) -> Array:
    """(q, q) covariance of the lens's fitted parameters, px or no unit."""
    here = of_lens(lens)[0]
    return lens.covariance[np.ix_(here, here)]


def _root(covariance: Array) -> Array:
    """(q, q) of which the product with its transpose is a covariance; variances span decades."""
    size = np.sqrt(np.diag(covariance))
    size[size == 0.0] = 1.0
    values, vectors = np.linalg.eigh(covariance / np.outer(size, size))
    return np.asarray(size[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def pose_of(calibration: Calibration) -> Array:
    """(6,) of a camera that has one: rotation vector [rad] and translation [m]."""
    assert calibration.rotation is not None and calibration.translation is not None
    return np.concatenate([calibration.rotation, calibration.translation])
