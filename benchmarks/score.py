"""How far an estimated motion is from the truth, and what naive practice would have given.

*Seen* is a place and time whose two neighbouring markers both have a sample within 2 ms; all
else is *lost*, the stretch from the last marker to the tip included. Errors are distances in
space (not of one coordinate), root mean square over an even grid of times (1 ms; 0.1 ms within
10 ms of the peak) and stations (10 mm) of the flexible part, so that the estimator's own
refinement gives no weight. Intervals are judged by the coordinate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import stats
from scipy.interpolate import CubicSpline

from lashwave.answers.account import chain_of
from lashwave.mechanics.air import medium
from lashwave.mechanics.power_budget import budget
from lashwave.quantities.answer import Answer
from lashwave.quantities.arrays import Array, Mask
from lashwave.quantities.fit import Fit
from lashwave.quantities.motion import interpolate
from lashwave.quantities.sightings import Camera, Markers
from lashwave.quantities.trial import Trial
from lashwave.twin.truth import TrueMotion, Truth

NEAR = 0.010
"""What counts as near the peak [s]."""
WITHIN = 2e-3
"""How near a sample makes a marker seen [s]."""


def band(count: int, share: float = 0.95, level: float = 0.999) -> tuple[int, int]:
    """Central binomial interval of the number of hits among `count` independent trials."""
    low, high = stats.binom.interval(level, count, share)
    return int(low), int(high)


def seen(markers: Markers, times: Array, stations: Array) -> Mask:
    """(T, S): both neighbouring markers have a sample within 2 ms."""
    on_line = np.flatnonzero(~markers.on_handle)
    order = on_line[np.argsort(markers.station[on_line])]
    place = markers.station[order]
    near = np.zeros((times.size, order.size), dtype=bool)
    for column, label in enumerate(order):
        have = markers.time[np.isfinite(markers.position[:, label, 0])]
        if have.size:
            right = np.searchsorted(have, times).clip(0, have.size - 1)
            left = (right - 1).clip(0)
            gap = np.minimum(np.abs(have[right] - times), np.abs(have[left] - times))
            near[:, column] = gap <= WITHIN + 1e-9
    after = np.searchsorted(place, stations, side="left")
    inside = (after > 0) & (after < place.size)
    after = after.clip(1, place.size - 1)
    return np.asarray(near[:, after - 1] & near[:, after] & inside)


@dataclass(frozen=True)
class Grid:
    """Where a motion is judged."""

    times: Array
    stations: Array
    near: Mask
    """(T,), within 10 ms of the peak."""


def grids(trial: Trial, peak: float) -> tuple[Grid, Grid]:
    """The whole record at 1 ms, and the 10 ms around the peak at 0.1 ms."""
    first, last = trial.markers.time[[0, -1]]
    line = trial.line
    stations = np.append(np.arange(line.handle_length + 5e-3, line.length, 0.01), line.length)
    whole = np.arange(first, last, 1e-3)
    close = np.arange(max(first, peak - NEAR), min(last, peak + NEAR), 1e-4)
    return (
        Grid(whole, stations, np.abs(whole - peak) <= NEAR),
        Grid(close, stations, np.ones(close.size, dtype=bool)),
    )


def _along(station: Array, values: Array, at: Array) -> Array:
    """Values (T, S, ...) linear between stations, at stations (Q,)."""
    j = (np.searchsorted(station, at, side="right") - 1).clip(0, station.size - 2)
    share = ((at - station[j]) / np.diff(station)[j]).reshape((1, -1) + (1,) * (values.ndim - 2))
    return np.asarray((1 - share) * values[:, j] + share * values[:, j + 1])


def fitted(fit: Fit, grid: Grid) -> tuple[Array, Array]:
    """Position and its standard deviation (T, S, 3) of a fit on a grid, by the motion's rule."""
    place, speed = (_along(fit.station, v, grid.stations) for v in (fit.position, fit.velocity))
    spread = _along(fit.station, fit.position_sd, grid.stations)
    position = interpolate(fit.time, place, speed, grid.times)[0]
    i = (np.searchsorted(fit.time, grid.times, side="right") - 1).clip(0, fit.time.size - 2)
    share = ((grid.times - fit.time[i]) / np.diff(fit.time)[i])[:, None, None]
    return position, (1 - share) * spread[i] + share * spread[i + 1]


def naive(trial: Trial, times: Array, stations: Array) -> Array:
    """Each marker splined over time, straight lines between markers, (T, S, 3).

    Beyond the last marker the last straight line goes on, at the stations' distance.
    """
    markers = trial.markers
    on_line = np.flatnonzero(~markers.on_handle)
    order = on_line[np.argsort(markers.station[on_line])]
    tracks, place = [], []
    for label in order:
        have = np.isfinite(markers.position[:, label, 0])
        if have.sum() < 4:
            continue
        spline = CubicSpline(markers.time[have], markers.position[have, label])
        # Past its own samples a cubic runs away; practice holds the last place.
        inside = np.clip(times, markers.time[have][0], markers.time[have][-1])
        tracks.append(spline(inside))
        place.append(markers.station[label])
    found = np.stack(tracks, axis=1)
    s = np.asarray(place)
    line = _along(s, found, np.clip(stations, s[0], s[-1]))
    for side, inner, outer in ((stations > s[-1], -1, -2), (stations < s[0], 0, 1)):
        ahead = found[:, inner] - found[:, outer]
        ahead /= np.maximum(np.linalg.norm(ahead, axis=-1, keepdims=True), 1e-12)
        reach = np.abs(stations[side] - s[inner])
        line[:, side] = found[:, inner, None] + reach[:, None] * ahead[:, None]
    return line


def naive_peaks(trial: Trial) -> dict[str, float | None]:
    """Peak tip speed from differences of the naive tip, and of the first camera's track."""
    markers = trial.markers
    tip = naive(trial, markers.time, np.array([trial.line.length]))[:, 0]
    from_markers = np.linalg.norm(np.diff(tip, axis=0), axis=-1).max() * markers.rate
    off_camera = _camera_peak(trial.cameras[0]) if trial.cameras else None
    return {"markers": float(from_markers), "camera": off_camera}


def _camera_peak(camera: Camera) -> float | None:
    """Largest image displacement over some 100 us, by the scale of parallel light [m/s]."""
    step = max(1, round(1e-4 * camera.rate))
    scale = np.linalg.norm(camera.projection[0, :3])
    where = {int(f): i for i, f in enumerate(camera.frame)}
    pairs = [(where[f], where[f + step]) for f in where if f + step in where]
    if not pairs:
        return None
    first, last = np.array(pairs).T
    moved = np.linalg.norm(camera.uv[last] - camera.uv[first], axis=-1).max()
    return float(moved / scale * camera.rate / step)


def _rms(error: Array, mask: Mask) -> float | None:
    picked = (error**2).sum(axis=-1)[mask]
    return float(np.sqrt(picked.mean())) if picked.size else None


def _covered(error: Array, sd: Array, mask: Mask) -> float | None:
    picked = (np.abs(error) <= 1.959964 * sd)[mask]
    return float(picked.mean()) if picked.size else None


def _wide(error: Array, sd: Array, mask: Mask) -> float | None:
    """Standard deviations stated over errors made, both root mean squares [1]."""
    picked = float((error**2)[mask].sum())
    return float(np.sqrt((sd**2)[mask].sum() / picked)) if picked > 0.0 else None


def motion_scores(trial: Trial, path: TrueMotion, fit: Fit, peak: float) -> dict[str, float | None]:
    """Root mean squares [m] and coverages of a fit, and the same RMS of naive practice."""
    whole, close = grids(trial, peak)
    scores: dict[str, float | None] = {}
    for grid, parts in ((whole, ("seen", "lost")), (close, ("peak_seen", "peak_lost", "peak"))):
        truth = path.at(grid.times, grid.stations)[0]
        position, sd = fitted(fit, grid)
        visible = seen(trial.markers, grid.times, grid.stations)
        plain = naive(trial, grid.times, grid.stations) - truth
        every = np.ones_like(visible)
        masks = (visible, ~visible, every)
        for name, mask in zip(parts, masks, strict=False):
            scores[f"rms_{name}"] = _rms(position - truth, mask)
            scores[f"naive_{name}"] = _rms(plain, mask)
            scores[f"cover_{name}"] = _covered(position - truth, sd, mask)
            scores[f"wide_{name}"] = _wide(position - truth, sd, mask)
    return scores


def by_time(
    trial: Trial, path: TrueMotion, fit: Fit, width: float = 0.01
) -> dict[str, list[float]]:
    """Where in the record a fit is off: RMS error and deviation stated [mm], by `width` [s]."""
    whole = grids(trial, 0.0)[0]
    position, sd = fitted(fit, whole)
    error = position - path.at(whole.times, whole.stations)[0]
    begins = np.arange(whole.times[0], whole.times[-1], width)
    part = np.searchsorted(begins, whole.times, side="right") - 1

    def rms(values: Array) -> list[float]:
        square = (values**2).sum(axis=-1).mean(axis=-1)
        means = np.bincount(part, square) / np.maximum(np.bincount(part), 1)
        return [round(float(x), 3) for x in 1e3 * np.sqrt(means)]

    return {"begin": [round(float(t), 4) for t in begins], "error": rms(error), "sd": rms(sd)}


EVERY = 0.02
"""Apart are the times at which the slide of a line along itself is told [s]."""


def slide(trial: Trial, path: TrueMotion, fit: Fit, peak: float) -> dict[str, float]:
    """How far the whole fitted line lies along itself from where it is, before the crack [m].

    With the deviation of that over the draws: what the hand-set part of it is judged by.
    """
    first = trial.markers.time[0]
    times = np.arange(first + EVERY, peak - NEAR, EVERY)
    stations = grids(trial, peak)[0].stations
    visible = seen(trial.markers, times, stations)
    truth = path.at(times, stations)[0]
    tangent = np.gradient(truth, stations, axis=1)
    tangent /= np.linalg.norm(tangent, axis=-1, keepdims=True)
    place, speed = (_along(fit.station, v, stations) for v in (fit.position, fit.velocity))
    off = interpolate(fit.time, place, speed, times)[0] - truth
    rows = np.abs(fit.draws.time[:, None] - times).argmin(axis=0)
    drawn = np.stack(
        [_along(fit.draws.station, one[rows].astype(float), stations) for one in fit.draws.position]
    )
    apart = ((drawn - drawn.mean(axis=0)) * tangent).sum(axis=-1)[:, visible].mean(axis=1)
    error = float((off * tangent).sum(axis=-1)[visible].mean())
    return {"error": error, "sd": float(apart.std(ddof=1))}


def answer_scores(
    answers: dict[str, Answer], truth: dict[str, float | None]
) -> dict[str, dict[str, Any]]:
    """Each answer beside its truth: value, interval, whether the interval holds it."""
    table: dict[str, dict[str, Any]] = {}
    for name, true in truth.items():
        found = answers.get(name)
        if found is None:
            continue
        record: dict[str, Any] = {"truth": true, "value": found.value, "sd": found.sd}
        record |= {"low": found.low95, "high": found.high95, "probability": found.probability}
        record["inside"] = None
        if true is not None and found.low95 is not None and found.high95 is not None:
            # Rounding of a constant answer (speed of sound) is no miss.
            slack = 1e-9 * abs(true)
            record["inside"] = bool(found.low95 - slack <= true <= found.high95 + slack)
        table[name] = record
    return table


def true_damping(trial: Trial, truth: Truth) -> float:
    """What the joints of a twin's true motion lost [J], by the true line and law."""
    path, scene = truth.path, truth.scene
    chain = chain_of(replace(trial, line=scene.lash.true), path.station)
    x, v, a = path.position, path.velocity, path.acceleration
    spent = budget(chain, x, v, a, medium(trial.air), trial.gravity, scene.law).damping
    return float(np.trapezoid(spent, path.time))


ACCOUNT = ("stored_energy", "drag_loss", "tuft_loss", "damping_loss")


def closure(answers: dict[str, Answer], truth: dict[str, float | None]) -> float | None:
    """Stored and lost energy, given, over the true work of the hand, less one.

    Where damping is known to a factor of two only, the account is closed by it: what can fail then
    is `true_damping` in the interval of `damping_loss`.
    """
    work = truth.get("hand_work")
    values = [answers[name].value for name in ACCOUNT if name in answers]
    known = [value for value in values if value is not None]
    return sum(known) / work - 1.0 if work and known else None
