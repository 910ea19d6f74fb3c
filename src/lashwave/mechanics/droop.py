"""Bending stiffness from droop tests: the exact elastica under its own weight.

A piece clamped level hangs by theta(s) below the level, B theta'' = -w (L - s) cos(theta). With
z = (w / B)^(1/3) (L - s) measured from the tip the equation is theta'' = -z cos(theta) for every
line, so that one family of curves, by the tip's angle, holds them all; the clamp is where theta
vanishes, at z*, and q = w L^3 / B = z*^3. Peirce (J. Text. Inst. 21 (1930) T377) stated the test;
his closed form is 6 % high at 41.5 deg and is not used.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from lashwave.quantities import STANDARD_GRAVITY, Array, Droop, Line, OutOfRangeError

READING_SD = (1e-3, np.radians(1.0))
"""sd of a drop [m] and an angle [rad] that state none."""


@lru_cache(maxsize=1)
def _family() -> Array:
    """(K, 4): tip angle [rad], q, drop / L, reach / L of heavy elasticas."""
    from scipy.integrate import solve_ivp

    def slope(z: float, y: Array) -> list[float]:
        return [y[1], -z * np.cos(y[0]), np.sin(y[0]), np.cos(y[0])]

    def level(_z: float, y: Array) -> float:
        return float(y[0])

    level.terminal = True  # type: ignore[attr-defined]
    level.direction = -1  # type: ignore[attr-defined]
    angles = np.concatenate([np.radians([1e-3, 0.1]), np.radians(np.arange(0.5, 86.1, 0.5))])
    rows = []
    for angle in angles:
        run = solve_ivp(
            slope, (0, 60), [angle, 0, 0, 0], method="DOP853", events=level, rtol=1e-11, atol=1e-13
        )
        end = float(run.t_events[0][0])
        _, _, drop, reach = run.y_events[0][0]
        rows.append([angle, end**3, drop / end, reach / end])
    return np.array(rows)


def _curve(column: int) -> tuple[Array, Array]:
    """log q against log of drop / L (2), or of the chord's angle (3)."""
    _, q, drop, reach = _family().T
    measure = drop if column == 2 else np.arctan2(drop, reach)
    return np.log(measure), np.log(q)


def droop_curve(q: float) -> tuple[float, float, float]:
    """Drop / L, reach / L, tip angle [rad] of a level cantilever with q = w L^3 / B.

    Raises OutOfRangeError where the table of the cantilever ends.
    """
    from scipy.interpolate import CubicSpline

    angle, known, drop, reach = _family().T
    if not known[0] <= q <= known[-1]:
        raise OutOfRangeError(f"q = {q:g} is not in {known[0]:.2g}-{known[-1]:.3g}")
    spline = CubicSpline(np.log(known), np.stack([np.log(drop), reach, np.log(angle)], axis=1))
    a, b, c = spline(np.log(q))
    return float(np.exp(a)), float(b), float(np.exp(c))


def weight_number(*, drop: float | None = None, angle: float | None = None) -> tuple[float, float]:
    """q = w L^3 / B from drop / L or the chord's angle [rad], and d log q / d log (drop or angle).

    Raises
    ------
    OutOfRangeError : no line of that weight can hang so.
    """
    from scipy.interpolate import CubicSpline

    value, column = (drop, 2) if drop is not None else (angle, 3)
    known, log_q = _curve(column)
    if value is None or not np.exp(known[0]) <= value <= np.exp(known[-1]):
        raise OutOfRangeError(
            f"a droop of {value} is not in {np.exp(known[0]):.2g}-{np.exp(known[-1]):.3g} "
            "(drop over overhang, or chord angle in rad)"
        )
    spline = CubicSpline(known, log_q)
    at = np.log(value)
    return float(np.exp(spline(at))), float(spline(at, 1))


def droop_stiffness(
    line: Line, droop: Droop, gravity: float = STANDARD_GRAVITY
) -> tuple[float, float]:
    """Bending stiffness [N m2] at the middle of a drooping piece, and its relative sd."""
    length = droop.overhang
    ends = droop.station + 0.5 * length * np.array([-1.0, 1.0])
    inside = line.station[(line.station > ends[0]) & (line.station < ends[1])]
    s = np.concatenate([ends[:1], inside, ends[1:]])
    density = np.interp(s, line.station, line.linear_density)
    mean = float(np.sum(0.5 * (density[1:] + density[:-1]) * np.diff(s)) / length)
    stated = np.isfinite(droop.drop_sd)
    if droop.drop is not None:
        q, grade = weight_number(drop=droop.drop / length)
        relative = (droop.drop_sd if stated else READING_SD[0]) / droop.drop
    else:
        q, grade = weight_number(angle=droop.angle)
        relative = (droop.drop_sd if stated else READING_SD[1]) / float(droop.angle or 1.0)
    return mean * gravity * length**3 / q, abs(grade) * relative
