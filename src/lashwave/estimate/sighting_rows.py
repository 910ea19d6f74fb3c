"""Sightings as scalar rows on a time grid: predicted minus seen, over the standard deviation.

Between grid times a node's place is the quadratic through the three nearest times, so that a row
touches one time and its neighbours only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate.course import SightingRows
from lashwave.estimate.path import Path
from lashwave.estimate.setup import LENGTH, OFF_AXIS, FitSetup
from lashwave.instruments import frame_time, project, project_jacobian, streaks
from lashwave.quantities import Array, Camera, Index

LONG = 3e-5
"""[s]; over a shorter exposure a tip's mean place is its place at the middle: at 1e5 m/s2, the most
that a line does, they are 4 um apart."""
BLUR_SD = 0.1
"""Of the middle of the light in the exposure, as a share of the streak: how far along it a point's
place may lie from the streak's middle. Assumed."""
BORDER = 6
"""Shared parameters that one row may touch; the last is where the line bends at its grip."""


@dataclass(frozen=True)
class Weights:
    """Robust weights of the sightings, 0 (distrusted) to 1, and the cameras' softening."""

    marker: Array
    """(T, L)"""
    camera: dict[str, Array]
    """(P,) by name"""
    camera_sd: float | None = None
    """Standard deviation [px] that replaces smaller ones while the camera is let in; None: its own;
    inf: the camera is left out."""
    across: Array | None = None
    """(T, L, 2, 3), axes along which markers stand off the line, see `stand_off`; None: a stand-off
    counts as spread."""
    folds: Array | None = None
    """(T, L) [m], standard deviation that folds leave to places, see `folds`; None: none."""


@dataclass(frozen=True)
class Seen:
    """Residuals of all sightings, whitened; what the rows are made from."""

    rows: SightingRows
    starts: NDArray[np.int64]
    cost: float
    marker: Array
    """(T, L, 3), nan where not used (not seen, or outside the grid)"""
    camera: dict[str, Array]
    """(P, 2)"""


def full_weights(setup: FitSetup, camera_sd: float | None = None) -> Weights:
    """Every sighting trusted."""
    trial = setup.trial
    return Weights(
        np.ones(trial.markers.position.shape[:2]),
        {c.name: np.ones(c.frame.size) for c in trial.cameras},
        camera_sd,
    )


def time_weights(
    grid: Array, at: Array, exposure: float = 0.0
) -> tuple[NDArray[np.int64], Array, Array]:
    """Centre index (R,), weights [1] and rates [1/s] (R, 3) of a quadratic through three times.

    With an exposure [s] the weights are those of the quadratic's mean over it: the square of the
    time about the middle is exposure**2 / 12 on average. Shorter ones than `LONG` count as moments.
    """
    right = np.clip(np.searchsorted(grid, at), 1, grid.size - 1)
    nearest = np.where(at - grid[right - 1] < grid[right] - at, right - 1, right)
    k = np.clip(nearest, 1, grid.size - 2)
    a, b, c = grid[k - 1], grid[k], grid[k + 1]
    weight = np.stack(
        [
            (at - b) * (at - c) / ((a - b) * (a - c)),
            (at - a) * (at - c) / ((b - a) * (b - c)),
            (at - a) * (at - b) / ((c - a) * (c - b)),
        ],
        axis=-1,
    )
    rate = np.stack(
        [
            (2 * at - b - c) / ((a - b) * (a - c)),
            (2 * at - a - c) / ((b - a) * (b - c)),
            (2 * at - a - b) / ((c - a) * (c - b)),
        ],
        axis=-1,
    )
    if exposure > LONG:
        # Beyond the three times the quadratic is no longer the motion.
        spread = np.minimum(exposure, c - a) ** 2 / 12.0
        bend = [(a - b) * (a - c), (b - a) * (b - c), (c - a) * (c - b)]
        weight += spread[:, None] / np.stack(bend, axis=-1)
    weight[np.abs(weight) < 1e-9] = 0.0
    return k, weight, rate


def station_nodes(setup: FitSetup, station: Array) -> tuple[NDArray[np.int64], Array]:
    """The two nodes around each station (...) [m], and their linear weights (..., 2) [1]."""
    nodes = setup.chain.station
    j = np.clip(np.searchsorted(nodes, station, side="right") - 1, 0, nodes.size - 2)
    x = np.clip((station - nodes[j]) / (nodes[j + 1] - nodes[j]), 0.0, 1.0)
    snap = np.abs(station - nodes[j + 1]) < 1e-6
    j, x = np.where(snap, j + 1, j), np.where(snap, 0.0, x)
    x = np.where(np.abs(station - nodes[np.minimum(j, nodes.size - 1)]) < 1e-6, 0.0, x)
    other = np.where(x > 0, j + 1, -1)
    return np.stack([j, other], axis=-1), np.stack([1 - x, x], axis=-1)


def _blank(count: int) -> tuple[NDArray[np.int64], Array]:
    return np.full((count, BORDER), -1, dtype=np.int64), np.zeros((count, BORDER))


def _hinged(path: Path, rows: Any) -> Any:
    """Rows of sightings with what they say of where the line bends at its grip."""
    k, nodes, p, w, _, tcol, tval = rows
    if path.hinge >= 0 and path.swing is not None:
        tcol[:, -1] = path.hinge
        for m in range(3):
            for e in range(2):
                moved = path.swing[k - 1 + m, np.maximum(nodes[:, e], 0)]
                tval[:, -1] += w[:, m] * (p[:, e] * moved).sum(-1)
    return rows


def marker_sd(setup: FitSetup, weights: Weights) -> Array:
    """(T, L) effective standard deviation of a coordinate [m]."""
    markers = setup.trial.markers
    own = markers.spread if weights.across is None else markers.sd
    return own if weights.folds is None else np.hypot(own, weights.folds)


def marker_part(setup: FitSetup, path: Path, node: Array, weights: Weights) -> tuple[Any, Array]:
    """Rows of the markers on the line; also the whitened residuals (T, L, 3) [sd].

    node : places (K, N + 1, 3) [m].
    """
    markers = setup.trial.markers
    sd = marker_sd(setup, weights)
    residual = np.full(markers.position.shape, np.nan)
    inside = (markers.time >= path.time[0] - 1e-9) & (markers.time <= path.time[-1] + 1e-9)
    use = np.isfinite(markers.position[..., 0]) & inside[:, None] & ~markers.on_handle
    use &= weights.marker > 0
    ti, li = np.nonzero(use)
    k, w, _ = time_weights(path.time, markers.time[ti], markers.exposure)
    nodes, share = station_nodes(setup, markers.station[li])
    x = np.zeros((ti.size, 3))
    for m in range(3):
        for e in range(2):
            x += (w[:, m] * share[:, e])[:, None] * node[k - 1 + m, np.maximum(nodes[:, e], 0)]
    link = np.clip(nodes[:, 0] - 1, 0, setup.chain.links - 1)
    along = path.direction[k, link]
    names = [setup.shared.index(f"station:{label}") for label in markers.labels]
    column = np.array(names, dtype=np.int64)[li]
    slip = np.where(column >= 0, path.shared[np.maximum(column, 0)], 0.0)
    difference = x + slip[:, None] * along - markers.position[ti, li]
    scale = np.sqrt(weights.marker[ti, li]) / sd[ti, li]
    p = np.zeros((ti.size, 3, 2, 3))
    for a in range(3):
        p[:, a, :, a] = share * scale[:, None]
    tcol, tval = _blank(ti.size * 3)
    tcol[:, 0] = np.repeat(column, 3)
    tval[:, 0] = (along * scale[:, None]).ravel()
    if weights.across is not None:
        for axis, what in enumerate(OFF_AXIS):
            out = weights.across[ti, li, axis]
            arm = np.array([setup.shared.index(f"{what}:{label}") for label in markers.labels])[li]
            difference += path.shared[arm][:, None] * out
            tcol[:, 1 + axis] = np.repeat(arm, 3)
            tval[:, 1 + axis] = (out * scale[:, None]).ravel()
    residual[ti, li] = difference / sd[ti, li][:, None]
    rows = (
        np.repeat(k, 3),
        np.repeat(nodes, 3, axis=0),
        p.reshape(-1, 2, 3),
        np.repeat(w, 3, axis=0),
        (difference * scale[:, None]).ravel(),
        tcol,
        tval,
    )
    return _hinged(path, rows), residual


def _handle_part(
    setup: FitSetup, path: Path, node: Array, weights: Weights, residual: Array
) -> list[Any]:
    """Rows of markers off the axis of the grip: their height along it and distance from it stay.

    Turning about the axis is not followed, so each marker gives two numbers a sample.
    """
    markers = setup.trial.markers
    length = setup.chain.length[0]
    parts: list[Any] = []
    if setup.chain.handle_links == 0:
        return parts
    for li in np.flatnonzero(markers.on_handle):
        inside = (markers.time >= path.time[0] - 1e-9) & (markers.time <= path.time[-1] + 1e-9)
        ti = np.flatnonzero(np.isfinite(markers.position[:, li, 0]) & inside)
        if ti.size == 0:
            continue
        k, w, _ = time_weights(path.time, markers.time[ti])
        ends = np.einsum("rm,rmia->ria", w, np.stack([node[k - 1 + m, :2] for m in range(3)], 1))
        axis = (ends[:, 1] - ends[:, 0]) / length
        arm = markers.position[ti, li] - ends[:, 0]
        height = (arm * axis).sum(-1)
        across = arm - height[:, None] * axis
        radius = np.linalg.norm(across, axis=-1)
        out = across / np.maximum(radius, 1e-9)[:, None]
        lean = (height / length)[:, None]
        sd = marker_sd(setup, weights)[ti, li]
        scale = np.sqrt(weights.marker[ti, li]) / sd
        for what, value, first, second in (
            ("axial", height, -(axis + arm / length), arm / length),
            ("radial", radius, -out * (1 - lean), -out * lean),
        ):
            column = setup.shared.index(f"{what}:{markers.labels[li]}")
            difference = value - path.shared[column]
            tcol, tval = _blank(ti.size)
            tcol[:, 0], tval[:, 0] = column, -scale
            p = np.stack([first, second], axis=1) * scale[:, None, None]
            nodes = np.tile([0, 1], (ti.size, 1))
            parts.append((k, nodes, p, w, difference * scale, tcol, tval))
            residual[ti, li, 0 if what == "axial" else 1] = difference / sd
    return parts


def camera_times(setup: FitSetup, camera: Camera, shared: Array) -> Array:
    """(P,) lab times [s] of a camera's points under the shared parameters (Q,)."""
    offset = shared[setup.shared.index(f"clock_offset:{camera.name}")]
    drift = shared[setup.shared.index(f"clock_drift:{camera.name}")]
    return frame_time(camera.rate, camera.counted(camera.frame), float(offset), float(drift))


def _camera_part(
    setup: FitSetup, camera: Camera, path: Path, node: Array, weights: Weights
) -> tuple[Any, Array]:
    """Rows of one camera's points, and whitened residuals (P, 2), nan outside the grid."""
    index = setup.shared.index
    residual = np.full((camera.frame.size, 2), np.nan)
    times = camera_times(setup, camera, path.shared)
    weight = weights.camera[camera.name]
    use = np.flatnonzero((times >= path.time[0]) & (times <= path.time[-1]) & (weight > 0))
    k, w, rate = time_weights(path.time, times[use], camera.exposure)
    nodes, share = station_nodes(setup, camera.station[use])
    x, v = np.zeros((use.size, 3)), np.zeros((use.size, 3))
    for m in range(3):
        for e in range(2):
            place = node[k - 1 + m, np.maximum(nodes[:, e], 0)] * share[:, e, None]
            x += w[:, m, None] * place
            v += rate[:, m, None] * place
    longer = camera.points_at(setup.trial.line.length)[use] * (index(LENGTH) >= 0)
    along = path.direction[k, -1] * longer[:, None]
    x += path.shared[index(LENGTH)] * along
    names = [f"{n}:{camera.name}" for n in ("registration_u", "registration_v")]
    shift = path.shared[[index(n) for n in names]]
    difference = project(camera, x) + shift - camera.uv[use]
    sd = camera.point_sd[use]
    slope = project_jacobian(camera, x)
    blur = _along_streaks(camera, use, sd)
    difference, slope = _stretched(blur, difference), _stretched(blur, slope)
    residual[use] = difference / sd[:, None]
    if weights.camera_sd is not None:
        sd = np.maximum(sd, weights.camera_sd)
    scale = np.sqrt(weight[use]) / sd
    slope *= scale[:, None, None]
    good = np.asarray(np.isfinite(slope).all((1, 2)))
    slope, difference = (
        np.where(good[:, None, None], slope, 0.0),
        np.where(good[:, None], difference, 0.0),
    )
    flow = np.einsum("rca,ra->rc", slope, v)
    tcol, tval = _blank(use.size * 2)
    tcol[:, 4] = np.repeat(np.where(longer, index(LENGTH), -1), 2)
    tval[:, 4] = np.einsum("rca,ra->rc", slope, along).ravel()
    tcol[:, 0], tval[:, 0] = index(f"clock_offset:{camera.name}"), flow.ravel()
    tcol[:, 1] = index(f"clock_drift:{camera.name}")
    tval[:, 1] = (flow * (camera.counted(camera.frame[use]) / camera.rate)[:, None]).ravel()
    tcol[0::2, 2], tcol[1::2, 2] = index(names[0]), index(names[1])
    tval[:, 2] = np.repeat(scale, 2)
    if blur is not None:
        tcol[:, 2], tcol[:, 3] = index(names[0]), index(names[1])
        tval[:, 2:4] = (blur * scale[:, None, None]).reshape(-1, 2)
    p = slope[:, :, None, :] * share[:, None, :, None]
    rows = (
        np.repeat(k, 2),
        np.repeat(nodes, 2, axis=0),
        p.reshape(-1, 2, 3),
        np.repeat(w, 2, axis=0),
        (difference * scale[:, None]).ravel(),
        tcol,
        tval,
    )
    return _hinged(path, rows), residual


def _along_streaks(camera: Camera, use: Index, sd: Array) -> Array | None:
    """(R, 2, 2) [1] what makes image distances along a streak count less; None where none is long.

    A point is less sure along a streak, by `BLUR_SD` of its length.
    """
    if camera.exposure <= LONG:
        return None
    streak = streaks(camera)[use]
    length = np.linalg.norm(streak, axis=1)
    long = np.flatnonzero(BLUR_SD * length > 0.25 * sd)
    if not long.size:
        return None
    blur = np.tile(np.eye(2), (use.size, 1, 1))
    way = streak[long] / length[long, None]
    less = sd[long] / np.hypot(sd[long], BLUR_SD * length[long]) - 1.0
    blur[long] += less[:, None, None] * way[:, :, None] * way[:, None, :]
    return blur


def _stretched(blur: Array | None, values: Array) -> Array:
    """Image distances (R, 2), or their slopes (R, 2, D), with streaks counted less."""
    return values if blur is None else np.asarray(np.einsum("rcd,rd...->rc...", blur, values))


def look(setup: FitSetup, path: Path, weights: Weights) -> Seen:
    """All sightings against a path."""
    node = path.node
    rows, marker = marker_part(setup, path, node, weights)
    parts = [rows, *_handle_part(setup, path, node, weights, marker)]
    camera = {}
    for c in setup.trial.cameras:
        if weights.camera_sd == np.inf:
            camera[c.name] = np.full((c.frame.size, 2), np.nan)
            continue
        rows, camera[c.name] = _camera_part(setup, c, path, node, weights)
        parts.append(rows)
    k, *rest = (np.concatenate([p[i] for p in parts]) for i in range(7))
    order = np.argsort(k, kind="stable")
    starts = np.searchsorted(k[order], np.arange(path.time.size + 1)).astype(np.int64)
    nodes, p, w, value, tcol, tval = (np.ascontiguousarray(a[order]) for a in rest)
    cost = float(value @ value)
    return Seen((nodes.astype(np.int64), p, w, value, tcol, tval), starts, cost, marker, camera)


CORE = 3.0
"""Deviations up to which a sighting of three coordinates is fully trusted."""


def tail_weights(residual: Array, degrees: float) -> Array:
    """Weights (...) [1] of whitened residuals (..., d) [sd]: Gaussian core, Student tail beyond.

    nan (not used) counts as trusted.
    """
    squared = np.nansum(residual**2, axis=-1)
    core = CORE**2 * residual.shape[-1] / 3.0 + 1.0
    return np.asarray(np.minimum(1.0, (degrees + core) / (degrees + squared)))
