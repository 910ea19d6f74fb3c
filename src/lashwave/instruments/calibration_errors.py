"""What errors of cameras' calibrations do to images, and what all cameras' errors are together.

A camera's errors are those of the parameters that were fitted, with their covariance, and a shift
of its whole picture beside them: that alone where no covariance is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from lashwave.instruments.camera import project
from lashwave.quantities import Array, Calibration, Camera, joint_covariance

_LENS = {"fx": (0, 0), "fy": (1, 1), "cx": (0, 2), "cy": (1, 2)}
_TURN, _SHIFT = ("rx", "ry", "rz"), ("tx", "ty", "tz")
_BROWN, _FISHEYE = ("k1", "k2", "p1", "p2", "k3"), ("k1", "k2", "k3", "k4")


@dataclass(frozen=True)
class JointErrors:
    """Errors of C cameras as S unknowns: each one's parameters, then a shift of its picture."""

    place: tuple[slice, ...]
    """Where each camera's stand."""
    covariance: Array
    """(S, S) in px, rad, m or 1."""
    fitted: Array
    """(S, S): the same without the pictures' shifts."""


def joint_errors(cameras: Sequence[Camera], shift_sd: Array) -> JointErrors:
    """The errors of cameras, with what calibrations made together share.

    shift_sd : (C,) of the shift of each one's picture [px], beside its fitted parameters.
    """
    none = Calibration((0, 0), np.empty((0, 0)))
    found = [camera.calibration or none for camera in cameras]
    counts = np.array([len(c.parameters) for c in found])
    first = np.cumsum([0, *(counts + 2)])
    own = np.concatenate([f + np.arange(n) for f, n in zip(first, counts, strict=False)])
    fitted = np.zeros((first[-1], first[-1]))
    fitted[np.ix_(own, own)] = joint_covariance(found)
    shifts = np.zeros(first[-1])
    for k in (0, 1):
        shifts[first[:-1] + counts + k] = shift_sd**2
    place = tuple(slice(int(a), int(b)) for a, b in zip(first[:-1], first[1:], strict=True))
    return JointErrors(place, fitted + np.diag(shifts), fitted)


def image_slopes(camera: Camera, points: Array) -> Array:
    """How a camera's errors move its images of points.

    Parameters
    ----------
    points : (P, 3) [m]

    Returns
    -------
    slopes : (P, 2, S) [px each of px, rad, m or 1], its parameters and then the picture's shift;
        by differences over a deviation either way. Zero behind the camera.
    """
    found = camera.calibration
    slopes = []
    for name in () if found is None else found.parameters:
        assert found is not None
        step = found.sd(name)
        if step == 0.0:
            slopes.append(np.zeros((len(points), 2)))
            continue
        high, low = (project(_with(camera, found, name, s), points) for s in (step, -step))
        slopes.append((high - low) / (2.0 * step))
    shift = np.broadcast_to(np.eye(2), (len(points), 2, 2))
    whole = np.concatenate(
        [np.array(slopes).reshape(-1, len(points), 2).transpose(1, 2, 0), shift], 2
    )
    return np.nan_to_num(whole, nan=0.0)


def _with(camera: Camera, c: Calibration, name: str, step: float) -> Camera:
    """The camera by its calibration with one parameter moved by a step."""
    if name.startswith("p") and len(name) == 3:
        projection = np.array(c.projection, dtype=float)
        projection[int(name[1]) - 1, int(name[2]) - 1] += step
        return replace(camera, projection=projection, intrinsics=None, distortion=None)
    assert c.intrinsics is not None
    side = np.diag([-1.0 if c.mirrored else 1.0, 1.0, 1.0])
    inner, bend = np.array(c.intrinsics, dtype=float), c.distortion
    pose = np.linalg.solve(inner @ side, c.projection)
    if name in _LENS:
        inner[_LENS[name]] += step
    elif name in _TURN:
        turn = np.array(c.rotation, dtype=float)
        turn[_TURN.index(name)] += step
        pose[:, :3] = cv2.Rodrigues(turn)[0]
    elif name in _SHIFT:
        pose[_SHIFT.index(name), 3] += step
    else:
        assert bend is not None
        bend = np.array(bend, dtype=float)
        bend[(_FISHEYE if len(bend) == 4 else _BROWN).index(name)] += step
    return replace(camera, projection=inner @ side @ pose, intrinsics=inner, distortion=bend)
