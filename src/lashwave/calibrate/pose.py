"""A camera with a lens from points in space: its pose, and its intrinsics as far as they are free.

Least squares on all parameters at once: those of the lens that an earlier calibration knows enter
with that calibration's mean and covariance, so that the pose's covariance counts them too. Starts:
SQPnP (Terzakis and Lourakis, ECCV 2020) among outliers where the lens is known, else the DLT and
its RQ decomposition (Hartley and Zisserman 2004, section 6.2.4).
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import rq

from lashwave.calibrate import pinhole
from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.calibrate.pinhole import among_outliers, dlt_projection
from lashwave.calibrate.point_fit import (
    Calibrated,
    Prior,
    Solution,
    UndeterminedError,
    common_warnings,
    fit_points,
)
from lashwave.calibrate.projection import principal_axes, thickness
from lashwave.quantities import Array, Calibration


def fit_pose(
    points: ArrayLike,
    uv: ArrayLike,
    lens: Calibration,
    *,
    sd: float | None = None,
    weights: Array | None = None,
    robust: bool = True,
    settings: CalibrateSettings = CALIBRATE,
) -> Calibrated:
    """Pose of a camera whose lens is known, from at least 4 points.

    Parameters
    ----------
    points : (n, 3) [m]; uv : (n, 2) [px].
    lens : a calibration with intrinsics; what has a covariance there is refined here.
    sd : of one image coordinate [px]; None takes it from the residuals.
    weights : (n,) of the points' residuals, before they are judged by one `sd` for all [1].
    robust : leave out points that do not fit.

    Raises
    ------
    UndeterminedError
        Fewer than 4 points, points on one line, no pose that shows them ahead of the camera.
    """
    points, uv = np.asarray(points, dtype=float), np.asarray(uv, dtype=float)
    if len(points) < 4:
        raise UndeterminedError(f"{len(points)} points are too few", "give at least 4")
    extent = thickness(points)
    if extent[1] <= 1e-6 * extent[0]:
        raise UndeterminedError("the points lie on one line", "give points beside it")
    known = pinhole.known_lens(lens)
    start = np.concatenate(
        [pinhole.lens_of(lens), pose_start(points, uv, lens, sd, robust, settings=settings)]
    )
    free = np.append(known.free, np.ones(6, dtype=bool))
    prior: Prior | None = (lambda full: known.residuals(full[:-6])) if known.free.any() else None
    given = free, prior, sd, robust, settings, weights
    found = _fit_free(points, uv, lens.size, start, *given)
    if extent[2] > settings.pose_flat * extent[0]:
        return found
    other = np.concatenate([start[:-6], _tilted_back(found.calibration, points)])
    try:
        second = _fit_free(points, uv, lens.size, other, *given)
    except UndeterminedError:
        return found
    return _better(found, second, settings)


def lens_alone(calibration: Calibration) -> Calibration:
    """The lens of a calibration as an exact one, without pose and covariance."""
    return Calibration(
        calibration.size, calibration.projection, calibration.intrinsics, calibration.distortion
    )


def _tilted_back(c: Calibration, points: Array) -> Array:
    """(6,) the pose from which flat points look nearly the same, tilted the other way.

    Far from a small target, only the sine of its tilt is seen (Schweighofer and Pinz, IEEE Trans.
    Pattern Anal. 28 (2006) 2024): the normal is mirrored in the line of sight.
    """
    turn = pinhole.rotation_matrix(np.asarray(c.rotation))
    middle = points.mean(axis=0)
    there = turn @ middle + np.asarray(c.translation)
    sight = there / np.linalg.norm(there)
    normal = turn @ principal_axes(points)[2]
    mirrored = 2.0 * (sight @ normal) * sight - normal
    fresh = (
        pinhole.rotation_matrix(np.pi * mirrored) @ pinhole.rotation_matrix(np.pi * sight) @ turn
    )
    return np.concatenate([pinhole.rotation_vector(fresh), there - fresh @ middle])


def _better(first: Calibrated, second: Calibrated, settings: CalibrateSettings) -> Calibrated:
    """The pose that fits better, with a warning where the residuals hardly tell."""

    def square(c: Calibrated) -> float:
        return float((c.residuals[first.used] ** 2).sum())

    if square(second) < square(first):
        first, second = second, first
    here = pinhole.rotation_matrix(np.asarray(first.calibration.rotation))
    there = pinhole.rotation_matrix(np.asarray(second.calibration.rotation))
    angle = float(np.degrees(np.linalg.norm(pinhole.rotation_vector(here @ there.T))))
    gain = (square(second) - square(first)) / max(first.calibration.reprojection_sd, 1e-9) ** 2
    if gain > settings.pose_clear or angle < 0.1:
        return first
    text = (
        f"the points are flat: a pose turned by {angle:.1f} deg fits nearly as well; "
        "give a point out of their plane"
    )
    return replace(first, warnings=(*first.warnings, text))


def fit_camera(
    points: ArrayLike,
    uv: ArrayLike,
    size: tuple[int, int],
    *,
    distortion: tuple[str, ...] = (),
    sd: float | None = None,
    robust: bool = True,
    settings: CalibrateSettings = CALIBRATE,
) -> Calibrated:
    """Intrinsics, pose and the named terms of distortion from at least 6 points in depth.

    Parameters
    ----------
    points : (n, 3) [m]; uv : (n, 2) [px]; size : width, height [px].
    distortion : which of k1, k2, p1, p2, k3 are fitted; the others are 0.
    sd : of one image coordinate [px]; None takes it from the residuals.
    robust : leave out points that do not fit.

    Raises
    ------
    UndeterminedError
        Fewer than 6 points, or all in one plane; a mirrored image; a lens left open.
    """
    points, uv = np.asarray(points, dtype=float), np.asarray(uv, dtype=float)
    extent = thickness(points)
    if len(points) < 6 or extent[2] <= 1e-6 * extent[0]:
        raise UndeterminedError(
            "fewer than 6 points, or all in one plane", "give points in depth, or a board"
        )
    start = (
        among_outliers(dlt_projection, points, uv, 6, settings=settings)
        if robust
        else dlt_projection(points, uv)
    )
    free = np.array([n not in pinhole.LENS[4:] or n in distortion for n in pinhole.NAMES])
    return _fit_free(points, uv, size, _decompose(start), free, None, sd, robust, settings)


def pose_start(
    points: Array,
    uv: Array,
    lens: Calibration,
    sd: float | None,
    robust: bool,
    settings: CalibrateSettings = CALIBRATE,
) -> Array:
    """(6,) rotation vector [rad] and translation [m], good enough to begin from.

    Parameters
    ----------
    points : (n, 3) [m]; uv : (n, 2) [px]; sd : of one image coordinate [px].

    Raises
    ------
    UndeterminedError
        Where no pose shows the points so.
    """
    inner = np.asarray(lens.intrinsics, dtype=float)
    bend = np.zeros(5) if lens.distortion is None else np.asarray(lens.distortion, dtype=float)
    spots, seen = np.ascontiguousarray(points[:, None]), np.ascontiguousarray(uv[:, None])
    if bend.size == 4:
        stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 100, 1e-12)
        straight = cv2.fisheye.undistortPoints(seen, inner, bend, P=inner, criteria=stop)
        seen = np.asarray(straight, dtype=float)
        bend = np.zeros(5)
    found = False
    if robust and len(points) >= 6:
        cv2.setRNGSeed(0)
        found, turn, shift, _ = cv2.solvePnPRansac(
            spots, seen, inner, bend, iterationsCount=settings.pose_tries, flags=cv2.SOLVEPNP_SQPNP,
            reprojectionError=max(5.0 * (sd or 1.0), 2.0), confidence=0.999,
        )  # fmt: skip
    if not found:
        found, turn, shift = cv2.solvePnP(spots, seen, inner, bend, flags=cv2.SOLVEPNP_SQPNP)
    if not found:
        raise UndeterminedError("no pose shows these points so", "check which point is which")
    return np.concatenate([np.ravel(turn), np.ravel(shift)])


def calibration_of(
    full: Array,
    names: tuple[str, ...],
    covariance: Array,
    size: tuple[int, int],
    *,
    registration_sd: float = 0.0,
    reprojection_sd: float = 0.0,
    degrees_of_freedom: int = 0,
    images: int = 1,
    points: int = 0,
) -> Calibration:
    """The noun from all parameters, (15,) or (14,), and the covariance of those that were free.

    Parameters
    ----------
    full : in the units of `pinhole.UNITS`; names : of the p free ones.
    covariance : (p, p), of these.
    size : width, height [px]; registration_sd, reprojection_sd : [px].
    """
    return Calibration(
        size=size,
        projection=pinhole.projection_of(full),
        intrinsics=pinhole.intrinsics(full),
        distortion=np.array(full[4:-6]),
        rotation=np.array(full[-6:-3]),
        translation=np.array(full[-3:]),
        parameters=names,
        covariance=0.5 * (covariance + covariance.T),
        registration_sd=registration_sd,
        reprojection_sd=reprojection_sd,
        degrees_of_freedom=degrees_of_freedom,
        images=images,
        points=points,
    )


def placed_sd(slope: Array, covariance: Array) -> float:
    """Rms sd of where a fit puts points [px], from derivatives (n, 2, p) and covariance (p, p)."""
    return float(np.sqrt(np.einsum("nip,pq,niq->", slope, covariance, slope) / (2 * len(slope))))


def _fit_free(
    points: Array,
    uv: Array,
    size: tuple[int, int],
    start: Array,
    free: NDArray[np.bool_],
    prior: Prior | None,
    sd: float | None,
    robust: bool,
    settings: CalibrateSettings,
    weights: Array | None = None,
) -> Calibrated:
    """`weights`: (n,) by which residuals are multiplied before they are judged by `sd` [1]."""
    weight = np.ones((len(points), 1)) if weights is None else weights[:, None]

    def fill(x: Array) -> Array:
        full = start.copy()
        full[free] = x
        return full

    def model(x: Array) -> tuple[Array, Array]:
        seen, slope = pinhole.project_points(fill(x), points)
        return seen * weight, slope[:, :, free] * weight[..., None]

    known: Prior | None = None if prior is None else (lambda x: prior(fill(x)))
    answer: Solution = fit_points(
        uv * weight, model, start[free], sd=sd, prior=known, robust=robust, settings=settings
    )
    full = fill(answer.parameters)
    if (pinhole.depths(full, points[answer.used]) <= 0.0).any():
        raise UndeterminedError("points fall behind the camera", "check which point is which")
    calibration = calibration_of(
        full,
        pinhole.free_names(free),
        answer.covariance,
        size,
        registration_sd=placed_sd(
            (model(answer.parameters)[1] / weight[..., None])[answer.used], answer.covariance
        ),
        reprojection_sd=answer.sd,
        degrees_of_freedom=answer.degrees_of_freedom,
        points=int(answer.used.sum()),
    )
    warnings = [
        *answer.warnings,
        *common_warnings(uv, answer.used, size, answer.condition, settings=settings),
    ]
    warnings += lens_warnings(calibration, settings=settings)
    return Calibrated(
        calibration, answer.residuals / weight, answer.used, answer.condition, tuple(warnings)
    )


def lens_warnings(calibration: Calibration, settings: CalibrateSettings = CALIBRATE) -> list[str]:
    """Lens parameters that points hardly determine; raises UndeterminedError where not at all."""
    found, known = [], calibration.parameters
    inner = calibration.intrinsics
    if inner is not None and "fx" in known:
        share = max(calibration.sd("fx") / inner[0, 0], calibration.sd("fy") / inner[1, 1])
        if share > settings.pose_open:
            raise UndeterminedError(
                f"the focal length is known to {min(100 * share, 999):.0f} % only",
                "tilt the board by 20 to 40 degrees in different directions, or give more depth",
            )
        if share > settings.pose_vague:
            found.append(
                f"the focal length is known to {100 * share:.1f} % only: tilt the board more, "
                "come closer, or take more images"
            )
    bend = calibration.distortion
    brown = bend is not None and len(bend) == 5 and "k3" in known
    if brown and bend is not None and abs(bend[4]) < 2.0 * calibration.sd("k3"):
        found.append('k3 cannot be distinguished from 0: leave it out (distortion = ["k1", "k2"])')
    return found


def _decompose(projection: Array) -> Array:
    """(15,) parameters of a projection, without distortion and skew."""
    upper, turn = rq(projection[:, :3])
    sign = np.diag(np.sign(np.diag(upper)))
    upper, turn = upper @ sign, sign @ turn
    if np.linalg.det(turn) < 0.0:
        raise UndeterminedError(
            "the image is mirrored, or the points are left-handed",
            "state mirrored = true for a view in a mirror (false for none), or turn one axis",
        )
    shift = np.linalg.solve(upper, projection[:, 3])
    upper = upper / upper[2, 2]
    lens = [upper[0, 0], upper[1, 1], upper[0, 2], upper[1, 2], 0, 0, 0, 0, 0]
    return np.concatenate([lens, pinhole.rotation_vector(turn), shift])
