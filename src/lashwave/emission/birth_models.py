"""What a front born of one draw of the motion looks like, for the two kinds of source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from lashwave.emission.wavefront import (
    DrawnMotion,
    Reached,
    burst,
    envelope,
    sonic_before,
    sonic_span,
)
from lashwave.instruments import Rays
from lashwave.quantities import Array

MOST_STEPS = 15
ENOUGH = 0.02
"""Change of half the sum of squares that counts as none: a fifth of a deviation of one unknown."""
DAMPING, HIGHEST_DAMPING = 1e-3, 1e3
"""Shares of the normal equations' diagonal; a step that does not help raises it tenfold."""


def solve(fit: Model, scene: FrontScene, first: Array) -> Array:
    """Unknowns (8 + F,) [m, s, m/s] with the least sum of losses.

    Of Huber's losses of points and of squares of what is held.

    Levenberg and Marquardt's damped Gauss-Newton steps with Huber's weights (Madsen, Nielsen and
    Tingleff, Methods for Non-Linear Least Squares Problems, 2nd ed. 2004, 3.2). Its own, because
    the unknowns lie in a bent valley that a library's trust region creeps along (35 evaluations,
    and some stops far from the least), where this takes 8: every unknown is held by what is known
    before, so that full steps can be taken.
    """
    points = scene.sd.size
    low, high = scene.path.station[[0, -1]]
    x = first.copy()
    x[0] = np.clip(x[0], low, high)
    away, slope = fit(x, scene)
    cost, damping = _cost(away, points), DAMPING
    for _ in range(MOST_STEPS):
        weight = np.ones(away.size)
        weight[:points] = np.minimum(1.0, HUBER / np.maximum(np.abs(away[:points]), 1e-12))
        normal, down = (slope.T * weight) @ slope, -slope.T @ (weight * away)
        at_end = (x[0] <= low and down[0] < 0.0) or (x[0] >= high and down[0] > 0.0)
        free = np.arange(int(at_end), x.size)
        before = cost
        while damping <= HIGHEST_DAMPING:
            trial = x.copy()
            trial[free] += _step(normal[np.ix_(free, free)], down[free], damping)
            trial[0] = np.clip(trial[0], low, high)
            trial[2] = np.clip(trial[2], 0.5 * scene.sound, 2.0 * scene.sound)
            seen = fit(trial, scene)
            now = _cost(seen[0], points)
            if now < cost:
                x, (away, slope), cost = trial, seen, now
                damping *= 0.1
                break
            damping = max(damping, DAMPING) * 10.0
        if before - cost < ENOUGH:
            break
    return x


def _cost(away: Array, points: int) -> float:
    far = np.abs(away[:points])
    loss = np.where(far < HUBER, 0.5 * far**2, HUBER * (far - 0.5 * HUBER))
    return float(loss.sum() + 0.5 * (away[points:] ** 2).sum())


def _step(normal: Array, down: Array, damping: float) -> Array:
    size = np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal / size / size[:, None] + damping * np.eye(size.size)
    return np.asarray(np.linalg.solve(scaled, down / size) / size)


Unknowns = Array
"""(8 + F,): station [m], time or delay [s], speed of sound [m/s], shift (2) [m] and drift (2) [m/s]
of the path across the view, the share by which it is slower, and by how much each flank stands
inside the front [m]."""
HELD = 8
"""Of them, before the flanks."""


@dataclass(frozen=True)
class FrontScene:
    """One draw, ready to be compared with the front."""

    path: DrawnMotion
    rays: Rays
    time: Array
    """(N,) [s], lab time of the points in this draw"""
    sd: Array
    """(N,) [m]"""
    across: Array
    """(2, 3) unit vectors across the view"""
    sound: float
    sound_sd: float
    whiten: Array
    """(4, 4): shift [m] and drift [m/s] to standard deviations"""
    delay_sd: float
    slower_sd: float
    station: float
    """First station of the draw to reach the speed of sound across the view [m]"""
    station_sd: float
    flank: NDArray[np.intp]
    """(N,), which of F flanks a point is of"""
    stand_off_sd: Array
    """(F,) [m]"""
    noise: Array
    """(N,) [sd]"""


HUBER = 2.5
"""Standard deviations beyond which points count by their distance, not its square."""


def huber(points: int) -> Callable[[Array], Array]:
    """Huber's loss for the first residuals, the points'; squares for what follows them.

    The loss takes squared residuals (R,), no unit, and gives value, slope and curvature (3, R)."""
    bound = HUBER**2

    def loss(z: Array) -> Array:
        far = (z > bound) & (np.arange(z.size) < points)
        root = np.sqrt(np.where(far, z, bound))
        value = np.where(far, 2 * HUBER * root - bound, z)
        slope = np.where(far, HUBER / root, 1.0)
        curve = np.where(far, -0.5 * HUBER / root**3, 0.0)
        return np.stack([value, slope, curve])

    return loss


def _rows(x: Unknowns, scene: FrontScene, seen: Reached, by_time: Array) -> tuple[Array, Array]:
    """Residuals in sd, points first, then what holds sound and shift; and their derivative.

    by_time : (N,) derivative of the arrival by x[1]. A wavelet's arrival does not hang on when it
    was sent to first order, for the envelope; so places move it by -toward / c alone.
    """
    c, points, flanks = x[2], scene.sd.size, scene.stand_off_sd.size
    away = c * (scene.time - seen.arrival) + x[HELD:][scene.flank]
    slope = np.zeros((points + 6 + flanks, HELD + flanks))
    own, known = slope[:points], slope[points:]
    own[:, 0] = np.einsum("nc,nc->n", seen.toward, seen.along)
    own[:, 1] = -c * by_time
    own[:, 2] = scene.time - seen.emission
    own[:, 3:5] = seen.toward @ scene.across.T
    own[:, 5:7] = own[:, 3:5] * (seen.moment - scene.path.since)[:, None]
    own[:, 7] = own[:, 1] * (seen.moment - scene.path.since)
    own[np.arange(points), HELD + scene.flank] = 1.0
    own /= scene.sd[:, None]
    known[0, 2] = 1.0 / max(scene.sound_sd, 1e-6)
    known[1:5, 3:7] = scene.whiten
    known[5, 7] = 1.0 / scene.slower_sd
    known[6:, HELD:] = np.diag(1.0 / scene.stand_off_sd)
    held = [(c - scene.sound) * known[0, 2], *(scene.whiten @ x[3:7])]
    held += [x[7] / scene.slower_sd, *x[HELD:] / scene.stand_off_sd]
    return np.concatenate([away / scene.sd + scene.noise, held]), slope


def moved(x: Unknowns, scene: FrontScene) -> DrawnMotion:
    """The draw's path with its shift and drift, and as much slower."""
    return replace(
        scene.path, shift=x[3:5] @ scene.across, drift=x[5:7] @ scene.across, slower=float(x[7])
    )


def _burst(x: Unknowns, scene: FrontScene) -> tuple[Array, Array]:
    seen = burst(moved(x, scene), x[0], x[1], scene.rays, x[2])
    toward = np.einsum("nc,nc->n", seen.toward, seen.velocity) / x[2]
    return _rows(x, scene, seen, 1.0 - toward)


def _burst_birth(x: Unknowns, scene: FrontScene) -> tuple[float, float, Array]:
    path, moment = moved(x, scene), np.array([x[1]])
    return float(x[0]), float(path.stretched(moment)[0]), path.at(x[0], moment)[0][0]


def _burst_start(scene: FrontScene) -> Array | None:
    """Centre, time and speed of the free sphere, then the station nearest to that centre."""
    depth = scene.path.position[:, -1].mean(axis=0)
    middle = scene.rays.direction.mean(axis=0)
    reach = ((depth - scene.rays.origin) @ middle) / (scene.rays.direction @ middle)
    met = scene.rays.origin + reach[:, None] * scene.rays.direction
    xy = (met - depth) @ scene.across.T
    c, t = scene.sound, scene.time - scene.time[0]
    # |x - x0|^2 = c^2 (t - t0)^2, linear in x0, c t0 and one number.
    rows = np.column_stack([2 * xy, -2 * c * c * t, np.ones(t.size)])
    first = np.linalg.lstsq(rows, (xy**2).sum(axis=1) - (c * t) ** 2, rcond=None)[0][:3]

    def away(x: Array) -> Array:
        radius = np.linalg.norm(xy - x[:2], axis=1)
        known = (x[3] - c) / max(scene.sound_sd, 1e-6)
        return np.append((x[3] * (t - x[2]) - radius) / scene.sd, known)

    free = least_squares(
        away, np.append(first, c), x_scale=[1e-3, 1e-3, 1e-6, max(scene.sound_sd, 0.01)],
        loss=huber(t.size),
    ).x  # fmt: skip
    last = float(min(scene.time.min(), scene.path.time[-1]))
    moment = float(np.clip(free[2] + scene.time[0], scene.path.time[0], last))
    index = int(np.clip(np.searchsorted(scene.path.time, moment), 0, scene.path.time.size - 1))
    line = (scene.path.position[index] - depth) @ scene.across.T
    nearest = int(np.linalg.norm(line - free[:2], axis=1).argmin())
    station = float(scene.path.station[nearest])
    there = (scene.path.at(station, np.array([moment]))[0][0] - depth) @ scene.across.T
    still = np.zeros(scene.stand_off_sd.size)
    return np.array([station, moment, free[3], *(free[:2] - there), 0.0, 0.0, 0.0, *still])


def _envelope(x: Unknowns, scene: FrontScene) -> tuple[Array, Array]:
    path = moved(x, scene)
    span = sonic_span(path, x[0], scene.across, x[2])
    count = scene.sd.size
    if not np.isfinite(span[0]):  # a station that stays subsonic sends no front: far off
        rows = count + x.size
        return np.full(rows, 1e3), np.zeros((rows, x.size))
    seen = envelope(path, x[0], span, x[1], scene.rays, x[2], scene.time)
    away, slope = _rows(x, scene, seen, np.ones(count))
    beside, late = (x[0] - scene.station) / scene.station_sd, x[1] / scene.delay_sd
    held = np.zeros((2, x.size))
    held[0, 0], held[1, 1] = 1.0 / scene.station_sd, 1.0 / scene.delay_sd
    return np.append(away, [beside, late]), np.concatenate([slope, held])


def _envelope_birth(x: Unknowns, scene: FrontScene) -> tuple[float, float, Array]:
    path = moved(x, scene)
    start = sonic_span(path, x[0], scene.across, x[2])[0]
    start = sonic_before(path, x[0], start, x[2])
    place = path.at(x[0], np.array([start]))[0][0]
    return float(x[0]), float(path.stretched(np.array(start))) + float(x[1]), place


def _envelope_start(scene: FrontScene) -> Array | None:
    """The first station to reach the speed of sound across the view; none if none does."""
    speed = np.linalg.norm(scene.path.velocity @ scene.across.T, axis=2)
    fast = np.flatnonzero(speed.max(axis=0) > scene.sound)
    # Stations about the first on the grid are looked at again between its times.
    first = np.argsort((speed[:, fast] > scene.sound).argmax(axis=0), kind="stable")[:5]
    spans = [
        (sonic_span(scene.path, s, scene.across, scene.sound)[0], s)
        for s in scene.path.station[fast[first]]
    ]
    able = [span for span in spans if np.isfinite(span[0])]
    still = np.zeros(5 + scene.stand_off_sd.size)
    return np.array([min(able)[1], 0.0, scene.sound, *still]) if able else None


Model = Callable[[Array, FrontScene], tuple[Array, Array]]
MODELS = {
    "burst": (_burst_start, _burst, _burst_birth),
    "envelope": (_envelope_start, _envelope, _envelope_birth),
}
"""For each: a start (None where the draw has no such front), residuals with their derivative,
and what is asked: station [m], time [s], place (3,) [m]."""
