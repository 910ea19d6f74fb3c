"""A camera as numbers: fifteen parameters with a lens, or a 3 x 4 projection; closed forms.

Order of the parameters: fx, fy, cx, cy [px], k1, k2, p1, p2, k3 (Brown 1971), the rotation vector
rx, ry, rz [rad] from lab to camera axes, and tx, ty, tz [m], the lab's origin in camera axes. A
fisheye lens has k1, k2, k3, k4 (Kannala and Brandt 2006), so fourteen: their number says which.

The closed forms start the fits. Direct linear transformation: Abdel-Aziz and Karara, Proc. Symp.
Close-Range Photogrammetry, 1971, solved by SVD on coordinates moved to their centroid and scaled
(Hartley, IEEE Trans. Pattern Anal. 19 (1997) 580). Rigid move: Umeyama, IEEE Trans. Pattern Anal.
13 (1991) 376.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.quantities import Array, Calibration

LENS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
FISHEYE = ("fx", "fy", "cx", "cy", "k1", "k2", "k3", "k4")
POSE = ("rx", "ry", "rz", "tx", "ty", "tz")
NAMES = LENS + POSE
UNITS = {
    **dict.fromkeys(("fx", "fy", "cx", "cy"), "px"),
    **dict.fromkeys(("k1", "k2", "p1", "p2", "k3", "k4"), "1"),
    **dict.fromkeys(("rx", "ry", "rz"), "rad"),
    **dict.fromkeys(("tx", "ty", "tz"), "m"),
}


def names_of(count: int) -> tuple[str, ...]:
    """Names of the parameters of a camera (15 or 14 of them), or of a lens (9 or 8), no unit."""
    lens = LENS if count in (len(LENS), len(NAMES)) else FISHEYE
    return lens if count == len(lens) else lens + POSE


def free_names(free: NDArray[np.bool_]) -> tuple[str, ...]:
    """Names of those of all parameters, (15,), (14,), (9,) or (8,), that are free, no unit."""
    return tuple(name for name, fitted in zip(names_of(free.size), free, strict=True) if fitted)


def intrinsics(parameters: ArrayLike) -> Array:
    """(3, 3) camera matrix [px] of parameters or of a lens alone."""
    fx, fy, cx, cy = np.asarray(parameters, dtype=float)[:4]
    return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])


def rotation_matrix(vector: ArrayLike) -> Array:
    """(3, 3) of a rotation vector (3,) [rad]."""
    turn = cv2.Rodrigues(np.asarray(vector, dtype=float).reshape(3, 1))[0]
    return np.asarray(turn, dtype=float)


def rotation_vector(matrix: ArrayLike) -> Array:
    """(3,) [rad] of a rotation matrix (3, 3)."""
    vector = cv2.Rodrigues(np.asarray(matrix, dtype=float))[0]
    return np.asarray(vector, dtype=float).ravel()


def lens_of(calibration: Calibration) -> Array:
    """(9,) lens parameters of a calibration with intrinsics: fx, fy, cx, cy [px], then no unit.

    (8,) of a fisheye lens.

    Raises
    ------
    ValueError
        Where the calibration has no intrinsics.
    """
    inner = calibration.intrinsics
    if inner is None:
        raise ValueError("the calibration has no intrinsics")
    bend = np.zeros(5) if calibration.distortion is None else calibration.distortion
    return np.array([inner[0, 0], inner[1, 1], inner[0, 2], inner[1, 2], *bend])


def lens_covariance(calibration: Calibration) -> Array:
    """(9, 9) covariance of the lens parameters, [px2] and no unit; 0 for one that was fixed.

    (8, 8) of a fisheye lens.
    """
    names = names_of(lens_of(calibration).size)
    result = np.zeros((len(names), len(names)))
    here = [i for i, name in enumerate(names) if name in calibration.parameters]
    there = [calibration.parameters.index(names[i]) for i in here]
    result[np.ix_(here, here)] = calibration.covariance[np.ix_(there, there)]
    return result


def project_points(parameters: ArrayLike, points: ArrayLike) -> tuple[Array, Array]:
    """Image points (n, 2) [px] of lab points (n, 3), and their derivative (n, 2, 15).

    (n, 2, 14) with a fisheye lens.
    """
    x = np.asarray(parameters, dtype=float)
    spots = np.ascontiguousarray(np.asarray(points, dtype=float).reshape(-1, 1, 3))
    if x.size == len(FISHEYE + POSE):
        pose = x[8:11].reshape(3, 1), x[11:14].reshape(3, 1)
        seen, slope = cv2.fisheye.projectPoints(spots, *pose, intrinsics(x), x[4:8])
        # The library's order is ours, with the skew at the end.
        return (
            np.asarray(seen, dtype=float).reshape(-1, 2),
            np.asarray(slope, dtype=float)[:, :14].reshape(-1, 2, 14),
        )
    seen, slope = cv2.projectPoints(spots, x[9:12], x[12:15], intrinsics(x), x[4:9])
    # The library's order: rotation, translation, focal lengths, centre, distortion.
    ours = np.concatenate([slope[:, 6:15], slope[:, :6]], axis=1)
    return (
        np.asarray(seen, dtype=float).reshape(-1, 2),
        np.asarray(ours, dtype=float).reshape(-1, 2, 15),
    )


def depths(parameters: ArrayLike, points: ArrayLike) -> Array:
    """(n,) distance ahead of the camera [m]."""
    x = np.asarray(parameters, dtype=float)
    return np.asarray(np.asarray(points) @ rotation_matrix(x[-6:-3])[2] + x[-1])


def projection_of(parameters: ArrayLike) -> Array:
    """(3, 4) [px] of parameters (15,) or (14,): intrinsics @ [R | t]."""
    x = np.asarray(parameters, dtype=float)
    return intrinsics(x) @ np.column_stack([rotation_matrix(x[-6:-3]), x[-3:]])


@dataclass(frozen=True)
class KnownLens:
    """What an earlier calibration says of a lens, as a prior for a new fit."""

    mean: Array
    """(9,)"""
    free: NDArray[np.bool_]
    """(9,) which have a covariance; the others stay as they are."""
    whiten: Array
    """(q, 9): from a departure from the mean to q unit residuals."""

    def residuals(self, lens: Array) -> Array:
        """(q,) of unit variance [1], from lens parameters (9,)."""
        return np.asarray(self.whiten @ (lens - self.mean))


def known_lens(calibration: Calibration) -> KnownLens:
    """The lens of a calibration as a prior."""
    mean, covariance = lens_of(calibration), lens_covariance(calibration)
    free = np.asarray(np.diag(covariance) > 0.0)
    root = np.diag(covariance)[free] ** 0.5
    # Whitened through the correlation matrix: variances span 18 decades.
    relation = covariance[np.ix_(free, free)] / np.outer(root, root)
    values, vectors = np.linalg.eigh(relation)
    whiten = np.zeros((root.size, mean.size))
    whiten[:, free] = (vectors / np.sqrt(np.maximum(values, 1e-12))).T / root
    return KnownLens(mean, free, whiten)


def dlt_projection(points: ArrayLike, uv: ArrayLike) -> Array:
    """(3, 4) projection of at least 6 points (n, 3) [m], not in one plane, seen at (n, 2) [px].

    Scaled so that the centroid has depth 1: positive in front.
    """
    points, uv = np.asarray(points, dtype=float), np.asarray(uv, dtype=float)
    lab, flat = _to_unit(points), _to_unit(uv)
    space = np.column_stack([points, np.ones(len(points))]) @ lab.T
    image = np.column_stack([uv, np.ones(len(uv))]) @ flat.T
    zero = np.zeros_like(space)
    rows = np.concatenate(
        [
            np.hstack([space, zero, -image[:, :1] * space]),
            np.hstack([zero, space, -image[:, 1:2] * space]),
        ]
    )
    last = np.linalg.svd(rows, full_matrices=False)[2][-1].reshape(3, 4)
    projection = np.linalg.inv(flat) @ last @ lab
    return np.asarray(projection / (projection[2] @ np.append(points.mean(axis=0), 1.0)))


def affine_projection(points: ArrayLike, uv: ArrayLike) -> Array:
    """(3, 4) projection of points (n, 3) [m] seen at (n, 2) [px], last row [0, 0, 0, 1].

    Of least norm where the points do not determine it.
    """
    points, uv = np.asarray(points, dtype=float), np.asarray(uv, dtype=float)
    middle, centre = points.mean(axis=0), uv.mean(axis=0)
    rows = np.linalg.lstsq(points - middle, uv - centre, rcond=1e-10)[0].T
    top = np.column_stack([rows, centre - rows @ middle])
    return np.vstack([top, [0.0, 0.0, 0.0, 1.0]])


def rigid_move(source: ArrayLike, target: ArrayLike) -> tuple[Array, Array]:
    """Rotation (3, 3) and shift (3,) [m] that take points (n, 3) nearest to others (n, 3) [m]."""
    source, target = np.asarray(source, dtype=float), np.asarray(target, dtype=float)
    here, there = source.mean(axis=0), target.mean(axis=0)
    left, _, right = np.linalg.svd((target - there).T @ (source - here))
    sign = np.sign(np.linalg.det(left) * np.linalg.det(right))
    turn = left @ np.diag([1.0, 1.0, sign]) @ right
    return turn, there - turn @ here


def projected(projection: Array, points: ArrayLike) -> Array:
    """(n, 2) [px] image of points (n, 3) [m] under a projection (3, 4)."""
    image = np.asarray(points, dtype=float) @ projection[:, :3].T + projection[:, 3]
    return np.asarray(image[:, :2] / image[:, 2:])


def among_outliers(
    solve: Callable[[Array, Array], Array],
    points: Array,
    uv: Array,
    least: int,
    seed: int = 0,
    settings: CalibrateSettings = CALIBRATE,
) -> Array:
    """A projection (3, 4) whose median residual is least, over fits to random sets of points.

    Least median of squares (Rousseeuw, J. Am. Stat. Assoc. 79 (1984) 871): holds with up to half
    of the points false, and better than 99 % surely with a third false and sets of 8 or fewer.

    Parameters
    ----------
    solve : from points and their images to a projection.
    points : (n, 3) [m]; uv : (n, 2) [px]; least : points of a set.
    """
    random = np.random.default_rng(seed)
    best = solve(points, uv)
    least_seen = _median(best, points, uv)
    if len(points) <= least + 1:
        return best
    for _ in range(settings.fit_tries):
        some = random.choice(len(points), least, replace=False)
        try:
            with np.errstate(all="ignore"):
                trial = solve(points[some], uv[some])
        except np.linalg.LinAlgError:
            continue
        seen = _median(trial, points, uv)
        if seen < least_seen:
            best, least_seen = trial, seen
    return best


def _median(projection: Array, points: Array, uv: Array) -> float:
    with np.errstate(all="ignore"):
        off = np.median(np.linalg.norm(projected(projection, points) - uv, axis=1))
    return float(off) if np.isfinite(off) else np.inf


def _to_unit(points: Array) -> Array:
    """(d + 1, d + 1) that moves points (n, d) to their centroid and to unit rms a coordinate."""
    size = points.shape[1]
    centre = points.mean(axis=0)
    spread = float(np.sqrt(((points - centre) ** 2).mean())) or 1.0
    move = np.eye(size + 1)
    move[:size] /= spread
    move[:size, size] = -centre / spread
    return move
