"""A 3 x 4 projection from points in space and their images: perspective (DLT) or parallel light.

Perspective: the 11 parameters of the direct linear transformation (Abdel-Aziz and Karara 1971),
found linearly and then by least squares in the image. Parallel light: the 8 of an affine
projection (Hartley and Zisserman, Multiple View Geometry, 2nd ed. 2004, section 6.3.4). What the
points do not tell may come from a known direction of view and from pixels that are square.
No lens distortion; places in space are taken as exact (their scatter shows in the residuals).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.calibrate.pinhole import affine_projection, among_outliers, dlt_projection
from lashwave.calibrate.point_fit import (
    Calibrated,
    Model,
    Prior,
    Solution,
    UndeterminedError,
    common_warnings,
    fit_points,
    numeric_jacobian,
)
from lashwave.quantities import Array, Calibration

PERSPECTIVE = tuple(f"p{i}{j}" for i in (1, 2, 3) for j in (1, 2, 3, 4))
PARALLEL = PERSPECTIVE[:8]


@dataclass(frozen=True)
class KnownView:
    """What is known of the direction in which a parallel-light camera looks."""

    direction: Array
    """(3,) unit vector in the lab, away from the camera."""
    sd: float = 0.0
    """[rad], of each of the two angles."""
    square_pixels: bool = False
    mirrored: bool = False
    """Whether the image shows left and right exchanged; matters for points on one line."""


def thickness(points: ArrayLike) -> Array:
    """(3,) rms extents of points (n, 3) along their own principal axes, falling [m]."""
    points = np.asarray(points, dtype=float)
    values = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return np.asarray(np.pad(values, (0, 3 - values.size)) / np.sqrt(len(points)))


def principal_axes(points: Array) -> Array:
    """(3, 3) rows: unit vectors along which points (n, 3) spread, the widest first."""
    off = points - points.mean(axis=0)
    return np.asarray(np.linalg.eigh(off.T @ off)[1].T[::-1])


def fit_perspective(
    points: ArrayLike,
    uv: ArrayLike,
    size: tuple[int, int],
    *,
    sd: float | None = None,
    points_sd: float = 0.0,
    robust: bool = True,
    settings: CalibrateSettings = CALIBRATE,
) -> Calibrated:
    """DLT of at least 6 points that are not in one plane.

    Parameters
    ----------
    points : (n, 3) [m]; uv : (n, 2) [px].
    size : width, height of the image [px].
    sd : of one image coordinate [px]; None takes it from the residuals.
    points_sd : of one coordinate in space [m], to tell a plane with noise from a volume.
    robust : leave out points that do not fit.

    Returns
    -------
    Calibrated
        Its covariance is of the 12 entries of the projection p11 ... p34, whose scale is such that
        the points' centroid has depth 1: rank 11.

    Raises
    ------
    UndeterminedError
        Fewer than 6 points, points in one plane or on one line, a mirrored image.
    """
    points, uv = np.asarray(points, dtype=float), np.asarray(uv, dtype=float)
    if len(points) < 6:
        raise UndeterminedError(f"{len(points)} points are too few", "give at least 6")
    _refuse_flat(points, points_sd, "give points in depth, or the intrinsics and a pose")
    start = (
        among_outliers(dlt_projection, points, uv, 6, settings=settings)
        if robust
        else dlt_projection(points, uv)
    )
    move = _move(points)
    first = start @ np.linalg.inv(move)
    model = _perspective_model(_centred(points, move))
    answer = fit_points(
        uv, model, (first / first[2, 3]).ravel()[:11], sd=sd, robust=robust, settings=settings
    )
    projection = np.append(answer.parameters, 1.0).reshape(3, 4) @ move
    if np.linalg.det(projection[:, :3]) < 0.0:
        raise UndeterminedError(
            "the image is mirrored, or the points are left-handed",
            "state mirrored = true for a view in a mirror (false for none), or turn one axis",
        )
    full = np.zeros((12, 12))
    full[:11, :11] = answer.covariance
    spread = np.kron(np.eye(3), move.T)
    return _result(
        answer, model, uv, size, projection, PERSPECTIVE, spread @ full @ spread.T, [], settings
    )


def fit_parallel(
    points: ArrayLike,
    uv: ArrayLike,
    size: tuple[int, int],
    *,
    sd: float | None = None,
    points_sd: float = 0.0,
    view: KnownView | None = None,
    robust: bool = True,
    settings: CalibrateSettings = CALIBRATE,
) -> Calibrated:
    """Affine projection of parallel light, last row [0, 0, 0, 1].

    Parameters
    ----------
    points : (n, 3) [m], at least 4; uv : (n, 2) [px]; size : width, height [px].
    sd : of one image coordinate [px]; None takes it from the residuals.
    points_sd : of one coordinate in space [m].
    view : known direction. With it, points in one plane are enough (3 at least); with square
        pixels too, points on one line (2 at least).
    robust : leave out points that do not fit.

    Raises
    ------
    UndeterminedError
        Where the points and the view do not fix all 8 parameters.
    """
    points, uv = np.asarray(points, dtype=float), np.asarray(uv, dtype=float)
    _refuse_few(points, points_sd, view)
    least = 4 if view is None else 3
    on_line = view is not None and thickness(points)[1] <= max(1e-6 * _reach(points), points_sd)
    if on_line or not robust:
        start = affine_projection(points, uv)
    else:
        start = among_outliers(affine_projection, points, uv, least + 1, settings=settings)
    if view is not None and on_line:
        start = _complete(start, points, view)
    move = _move(points)
    first = start @ np.linalg.inv(move)
    model = _parallel_model(_centred(points, move))
    prior = None if view is None else _view_prior(view, move[0, 0], settings)
    answer = fit_points(
        uv, model, first[:2].ravel(), sd=sd, prior=prior, robust=robust, settings=settings
    )
    top = answer.parameters.reshape(2, 4) @ move
    spread = np.kron(np.eye(2), move.T)
    covariance = spread @ answer.covariance @ spread.T
    warnings = _direction_warnings(points, top, covariance, view, settings)
    projection = np.vstack([top, [0.0, 0.0, 0.0, 1.0]])
    return _result(answer, model, uv, size, projection, PARALLEL, covariance, warnings, settings)


def view_direction(parameters: ArrayLike) -> Array:
    """(3,) unit vector in which an unmirrored parallel-light camera looks, from p11 ... p24."""
    top = np.asarray(parameters, dtype=float).reshape(2, 4)[:, :3]
    ahead = np.cross(top[0], top[1])
    return np.asarray(ahead / np.linalg.norm(ahead))


def view_sd(parameters: ArrayLike, covariance: ArrayLike) -> float:
    """Greatest sd of the direction of view [rad], from p11 ... p24 (8,) and covariance (8, 8)."""
    slope = numeric_jacobian(view_direction, np.asarray(parameters, dtype=float).ravel())
    return float(np.sqrt(np.linalg.eigvalsh(slope @ np.asarray(covariance) @ slope.T)[-1]))


def _result(
    answer: Solution,
    model: Model,
    uv: Array,
    size: tuple[int, int],
    projection: Array,
    names: tuple[str, ...],
    covariance: Array,
    warnings: list[str],
    settings: CalibrateSettings,
) -> Calibrated:
    slope = model(answer.parameters)[1][answer.used]
    # Variance of where the fit puts a point, mean over the points used and both coordinates.
    placed = np.einsum("nip,pq,niq->", slope, answer.covariance, slope) / (2 * len(slope))
    calibration = Calibration(
        size=size,
        projection=projection,
        parameters=names,
        covariance=0.5 * (covariance + covariance.T),
        registration_sd=float(np.sqrt(placed)),
        reprojection_sd=answer.sd,
        degrees_of_freedom=answer.degrees_of_freedom,
        images=1,
        points=int(answer.used.sum()),
    )
    usual = common_warnings(uv, answer.used, size, answer.condition, settings=settings)
    warnings = [*answer.warnings, *warnings, *usual]
    return Calibrated(calibration, answer.residuals, answer.used, answer.condition, tuple(warnings))


def _perspective_model(space: Array) -> Model:
    """Of homogeneous points (n, 4), moved so that their centroid is the origin (p34 = 1)."""

    def model(x: Array) -> tuple[Array, Array]:
        image = space @ np.append(x, 1.0).reshape(3, 4).T
        scaled = space / image[:, 2:]
        uv = image[:, :2] / image[:, 2:]
        slope = np.zeros((len(space), 2, 11))
        slope[:, 0, :4] = scaled
        slope[:, 1, 4:8] = scaled
        slope[:, :, 8:] = -uv[:, :, None] * scaled[:, None, :3]
        return uv, slope

    return model


def _parallel_model(space: Array) -> Model:
    slope = np.zeros((len(space), 2, 8))
    slope[:, 0, :4] = space
    slope[:, 1, 4:] = space
    return lambda x: (space @ x.reshape(2, 4).T, slope)


def _view_prior(view: KnownView, per_metre: float, settings: CalibrateSettings) -> Prior:
    """Rows at right angles to the view, and, where pixels are square, to each other."""
    direction = np.asarray(view.direction, dtype=float)
    direction = direction / np.linalg.norm(direction)
    width = max(view.sd, settings.view_exact)

    def residuals(x: Array) -> Array:
        rows = x.reshape(2, 4)[:, :3] * per_metre
        length = np.linalg.norm(rows, axis=1)
        found = rows @ direction / length / width
        if not view.square_pixels:
            return np.asarray(found)
        ratio = np.log(length[0] / length[1])
        cosine = rows[0] @ rows[1] / (length[0] * length[1])
        return np.array([*found, ratio / settings.view_square, cosine / settings.view_square])

    return residuals


def _complete(start: Array, points: Array, view: KnownView) -> Array:
    """Points on one line fix how it maps; square pixels and the view give what lies across it."""
    along = principal_axes(points)[0]
    direction = view.direction / np.linalg.norm(view.direction)
    across = np.cross(direction, along)
    if np.linalg.norm(across) < 0.1:
        raise UndeterminedError("the view runs along the line of points", "lay the scale across it")
    per_metre = start[:2, :3] @ along
    side = np.array([-per_metre[1], per_metre[0]]) * (-1.0 if view.mirrored else 1.0)
    top = np.outer(per_metre, along) + np.outer(side, across)
    middle = points.mean(axis=0)
    shift = apply_row(start, middle) - top @ middle
    return np.vstack([np.column_stack([top, shift]), [0.0, 0.0, 0.0, 1.0]])


def apply_row(projection: Array, point: Array) -> Array:
    """(2,) [px] image of one point (3,) [m] under an affine projection (3, 4)."""
    return np.asarray(projection[:2, :3] @ point + projection[:2, 3])


def _tilt_sd(points: Array, top: Array, covariance: Array) -> float:
    """Sd of the image of the points' thinnest direction over that of the others [rad].

    Unlike the direction of view it stays honest where noise alone gives that direction an image.
    """
    axes = principal_axes(points)
    pick = np.kron(np.eye(2), np.append(axes[2], 0.0))
    across = np.sqrt(np.linalg.eigvalsh(pick @ covariance @ pick.T)[-1])
    return float(np.arctan(across / np.linalg.norm(top[:, :3] @ axes[:2].T, 2)))


def _direction_warnings(
    points: Array,
    top: Array,
    covariance: Array,
    view: KnownView | None,
    settings: CalibrateSettings,
) -> list[str]:
    sd = max(view_sd(top, covariance), _tilt_sd(points, top, covariance))
    if sd > settings.view_unknown:
        raise UndeterminedError(
            f"the direction of view is known to {np.degrees(sd):.0f} deg only",
            "give points further out in depth, or state the view",
        )
    found = []
    if sd > settings.view_vague:
        found.append(
            f"the direction of view is known to {np.degrees(sd):.1f} deg only: points off the "
            "plane of those given will be misplaced"
        )
    if view is not None:
        facing = float(view_direction(top) @ view.direction)
        if (facing < 0.0) != view.mirrored:
            found.append("the image is mirrored against the view stated, or the view is turned")
    return found


def _refuse_few(points: Array, points_sd: float, view: KnownView | None) -> None:
    if view is None:
        if len(points) < 4:
            raise UndeterminedError(f"{len(points)} points are too few", "give at least 4")
        _refuse_flat(points, points_sd, "give points in depth, or state the view")
        return
    least = 2 if view.square_pixels else 3
    if len(points) < least:
        raise UndeterminedError(f"{len(points)} points are too few", f"give at least {least}")
    if not view.square_pixels and thickness(points)[1] <= max(1e-6 * _reach(points), points_sd):
        raise UndeterminedError(
            "the points lie on one line", "give points across it, or say that pixels are square"
        )


def _refuse_flat(points: Array, points_sd: float, remedy: str) -> None:
    extent = thickness(points)
    thin = max(1e-6 * extent[0], points_sd)
    if extent[0] == 0.0:
        raise UndeterminedError("the points are one point", remedy)
    if extent[1] <= thin:
        raise UndeterminedError("the points lie on one line", remedy)
    if extent[2] <= thin:
        raise UndeterminedError("the points lie in one plane", remedy)


def _reach(points: Array) -> float:
    return float(thickness(points)[0])


def _move(points: Array) -> Array:
    """(4, 4) to the centroid and to unit rms extent."""
    middle, spread = points.mean(axis=0), float(np.linalg.norm(thickness(points)))
    move = np.eye(4)
    move[:3, :3] /= max(spread, 1e-300)
    move[:3, 3] = -middle / max(spread, 1e-300)
    return move


def _centred(points: Array, move: Array) -> Array:
    return np.column_stack([points, np.ones(len(points))]) @ move.T
