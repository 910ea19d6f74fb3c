"""Least squares on image points, with prior knowledge, outliers and an honest covariance.

The residual of each image coordinate is divided by its sd, prior knowledge adds residuals of its
own, and the sum of squares is minimised (Levenberg-Marquardt of MINPACK, by scipy). Its scale is
judged by the degrees of freedom, residuals less parameters: s^2 = SSR / (2 n + priors - p), not by
the number of residuals (Bevington and Robinson, Data Reduction and Error Analysis, 3rd ed. 2003,
ch. 6 to 8).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.special import chdtri

from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.quantities import Array, Calibration, LashwaveError


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
    """Share [1] of an image that lies among points (n, 2) [px], within their convex hull."""
    if len(uv) < 3:
        return 0.0
    hull = cv2.convexHull(np.asarray(uv, dtype=np.float32))
    return float(cv2.contourArea(hull)) / (size[0] * size[1])


def common_warnings(
    uv: Array,
    used: NDArray[np.bool_],
    size: tuple[int, int],
    condition: float,
    settings: CalibrateSettings = CALIBRATE,
) -> list[str]:
    """What is worth saying of any fit to image points: outliers, coverage, conditioning.

    Parameters
    ----------
    uv : (n, 2) [px]; used : (n,) false for points left out; size : width, height [px].
    condition : of the scaled Jacobian [1].
    """
    found = []
    out = int((~used).sum())
    if out:
        found.append(f"{out} of {used.size} points lie far off the fit and were left out")
    share = coverage(uv[used], size)
    if share < settings.fit_covered:
        found.append(f"the points span {share:.0%} of the image; beyond them the fit extrapolates")
    if condition > settings.fit_ill:
        found.append(f"the fit is badly conditioned ({condition:.1g}): spread the points more")
    return found


Model = Callable[[Array], tuple[Array, Array]]
"""From p parameters to predicted image points (n, 2) and their derivative (n, 2, p)."""
Prior = Callable[[Array], Array]
"""From p parameters to residuals of unit variance, (q,)."""


class UndeterminedError(LashwaveError):
    """The points do not determine the camera: what is missing, and what would help."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem, self.remedy = problem, remedy
        super().__init__(f"{problem}; {remedy}")


@dataclass(frozen=True)
class Solution:
    """Parameters of a fit and how well they are known."""

    parameters: Array
    """(p,)"""
    covariance: Array
    """(p, p)"""
    residuals: Array
    """(n, 2) [px], seen less predicted, of all points."""
    used: NDArray[np.bool_]
    """(n,) false for points left out as outliers."""
    sd: float
    """Fitted standard deviation of one image coordinate [px]; the stated one where no degree of
    freedom is left."""
    degrees_of_freedom: int
    condition: float
    """Of the scaled Jacobian; 1 is best."""
    warnings: tuple[str, ...] = ()


def numeric_jacobian(function: Prior, x: Array) -> Array:
    """Derivative (q, p) by central differences, in the units of the function and of x (p,) [1]."""
    columns = []
    for i, value in enumerate(x):
        step = np.zeros_like(x)
        step[i] = 6e-6 * max(1e-3, abs(value))
        columns.append((function(x + step) - function(x - step)) / (2 * step[i]))
    return np.stack(columns, axis=-1)


def robust_sd(residuals: Array) -> float:
    """Sd [px] of one coordinate from the median length of 2-D residuals (n, 2) [px].

    The length of a Gaussian pair has its median at sqrt(2 ln 2) sd (Rayleigh).
    """
    length = np.linalg.norm(residuals, axis=1)
    return float(np.median(length) / np.sqrt(2 * np.log(2)))


def scale_factor(
    square: float, freedom: int, stated: bool, settings: CalibrateSettings = CALIBRATE
) -> tuple[float, str | None]:
    """What (J' W J)^-1 is multiplied by, from a sum of squared unit residuals.

    Where an sd was stated it stands, unless the residuals contradict it (chi-square, 1 %); then,
    as where none was stated, the fitted one takes its place. The second value says so.
    """
    if freedom <= 0:
        return 1.0, None if stated else "no degree of freedom left: the sd cannot be judged"
    ratio = square / freedom
    if not stated:
        return ratio, None
    if square > chdtri(freedom, settings.fit_chance):
        return ratio, f"residuals are {np.sqrt(ratio):.2g} times the stated sd"
    return 1.0, None


def fit_points(
    seen: ArrayLike,
    model: Model,
    start: ArrayLike,
    *,
    sd: float | None = None,
    prior: Prior | None = None,
    robust: bool = True,
    settings: CalibrateSettings = CALIBRATE,
) -> Solution:
    """Parameters that fit image points best.

    Parameters
    ----------
    seen : (n, 2) [px].
    model : prediction and derivative.
    start : (p,) where to begin.
    sd : of one image coordinate [px]; None takes it from the residuals.
    prior : knowledge from elsewhere.
    robust : leave out points beyond `CUT` robust sd and fit again, until none changes.

    Raises
    ------
    UndeterminedError
        Too few points, or a direction of the parameters that the points do not feel.
    """
    seen = np.asarray(seen, dtype=float)
    x = np.asarray(start, dtype=float)
    used = np.ones(len(seen), dtype=bool)
    scale = sd
    if scale is None:
        scale = max(robust_sd(seen - model(x)[0]), 1e-9)
    for turn in range(12):
        x = _minimise(seen, model, x, scale, prior, used, soft=robust and turn == 0)
        rest = seen - model(x)[0]
        spread = max(robust_sd(rest[used]), 1e-12)
        keep = np.linalg.norm(rest, axis=1) <= settings.fit_cut * (
            spread if sd is None else max(spread, sd)
        )
        # Too few residuals to judge each other by: then none is put aside.
        if not robust or 2 * keep.sum() < x.size + settings.fit_spare:
            keep = np.ones(len(seen), dtype=bool)
        settled = bool((keep == used).all()) and turn > 0
        used = keep
        if sd is None:
            fresh = _solution(
                seen, model, x, scale, prior, used, stated=False, settings=settings
            ).sd
            fresh = max(fresh, 1e-9)
            settled = settled and abs(fresh - scale) <= 0.01 * scale
            scale = fresh
        if settled:
            break
    return _solution(seen, model, x, scale, prior, used, stated=sd is not None, settings=settings)


def _minimise(
    seen: Array,
    model: Model,
    x: Array,
    scale: float,
    prior: Prior | None,
    used: NDArray[np.bool_],
    soft: bool,
) -> Array:
    def residuals(x: Array) -> Array:
        rest = ((model(x)[0] - seen)[used] / scale).ravel()
        return rest if prior is None else np.concatenate([rest, prior(x)])

    def jacobian(x: Array) -> Array:
        return _jacobian(model, x, scale, prior, used)

    if residuals(x).size < x.size:
        raise UndeterminedError(
            f"{int(used.sum())} points give {residuals(x).size} equations for {x.size} parameters",
            "give more points",
        )
    if soft:
        answer = least_squares(
            residuals, x, jacobian, x_scale="jac", loss="soft_l1", f_scale=1.5, max_nfev=200
        )
    else:
        answer = least_squares(
            residuals, x, jacobian, method="lm", x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-14
        )
    return np.asarray(answer.x)


def _jacobian(
    model: Model, x: Array, scale: float, prior: Prior | None, used: NDArray[np.bool_]
) -> Array:
    slope = model(x)[1][used].reshape(-1, x.size) / scale
    return slope if prior is None else np.concatenate([slope, numeric_jacobian(prior, x)])


def _solution(
    seen: Array,
    model: Model,
    x: Array,
    scale: float,
    prior: Prior | None,
    used: NDArray[np.bool_],
    stated: bool,
    settings: CalibrateSettings,
) -> Solution:
    rest = seen - model(x)[0]
    unit = (rest[used] / scale).ravel()
    square = float((unit**2).sum())
    count = unit.size
    if prior is not None:
        known = prior(x)
        square, count = square + float((known**2).sum()), count + known.size
    inverse, condition = invert(_jacobian(model, x, scale, prior, used), settings=settings)
    freedom = count - x.size
    factor, remark = scale_factor(square, freedom, stated, settings=settings)
    fitted = scale * np.sqrt(square / freedom) if freedom > 0 else scale
    return Solution(
        x, factor * inverse, rest, used, float(fitted), freedom, condition,
        (remark,) if remark else (),
    )  # fmt: skip


def invert(jacobian: Array, settings: CalibrateSettings = CALIBRATE) -> tuple[Array, float]:
    """(J' J)^-1 (p, p) and the condition number of J (n, p) [1] with its columns scaled to one.

    Raises
    ------
    UndeterminedError
        Where a parameter moves no point, or the points leave a direction open.
    """
    size = np.linalg.norm(jacobian, axis=0)
    if not np.isfinite(size).all() or (size == 0).any():
        raise UndeterminedError("a parameter moves no point", "give points over more of the image")
    _, values, right = np.linalg.svd(jacobian / size, full_matrices=False)
    condition = float(values[0] / max(values[-1], 1e-300))
    if condition > settings.fit_singular:
        raise UndeterminedError(
            "the points do not determine the camera", "give points spread in all directions"
        )
    half = right.T / values / size[:, None]
    return half @ half.T, condition
