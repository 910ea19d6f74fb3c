"""Real lines, both ends gripped and moved: what the estimate makes of markers it never saw.

    python benchmarks/real_lines.py --count 30
    python benchmarks/real_lines.py --report

Motion capture of flexible lines by robot arms, 100 Hz (`SOURCE.md` beside the data says whose);
the data are no part of this project and stay where they are. Of each take the second or so around
its fastest moment is used, twice:

* run A withholds every second marker between the gripped pairs, throughout;
* run B withholds all markers between the gripped pairs for half a second.

Judged are the withheld samples: root mean square of the distance in space, and the share of
coordinates within their 95 % interval. Beside the estimate stand straight lines between the markers
seen (A) or each marker splined over time (B), and a cubic spline in arc length through the markers
seen.

Nothing is known of these lines but the distances between markers: mass and diameter are guessed,
stiffness is guessed and fitted. Stations are the mean distances in the other takes of the same
line. Each finished take and run is one line of JSON in --cache, so that a stopped run goes on where
it was; `--report` only prints what is there.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from score import Grid, fitted

from lashwave.estimate import Options, estimate
from lashwave.quantities.errors import LashwaveError
from lashwave.quantities.fit import Fit
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Markers
from lashwave.quantities.trial import Trial

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

DATA = Path(__file__).resolve().parents[2] / "shared/data/dlo_mocap_100hz"
RATE = 100.0
"""[Hz]"""
GRIPPED = 2
"""Markers on each gripped end."""
SPAN = 1.2
"""Length of a crop [s]."""
GAP = 0.5
"""Length of run B's gap [s]."""
DENSITY = 0.07
"""Guessed mass of a line [kg/m]."""
DIAMETER = 7e-3
"""Guessed diameter of a line [m]."""
CLEAN = (250.0, 0.02)
"""Largest acceleration [m/s2] and largest error of a distance [m] of a take worth using."""
TUNED = (("DLO1", 61), ("DLO2", 42), ("DLO3", 119), ("DLO2", 111))
"""Takes on which the options and the guesses were tried; never in the report."""
OPTIONS = Options(
    spacing_held=0.04,
    spacing_clamp=0.015,
    longest_step=5e-3,
)


@dataclass(frozen=True)
class Take:
    """A crop of one take."""

    line: str
    number: int
    position: Array
    """(T, M, 3) [m]"""
    station: Array
    """(M,) [m], from the other takes."""
    spread: float
    """Standard deviation within a take of the distance of neighbours, on one marker's share [m]."""
    wander: float
    """The same of that distance's mean between takes [m]."""
    speed: float
    """Largest of any marker [m/s]."""
    fastest: int
    """Its frame in the crop."""

    @property
    def name(self) -> str:
        return f"{self.line}/{self.number}"

    @property
    def time(self) -> Array:
        """(T,) [s]"""
        return np.arange(self.position.shape[0]) / RATE


def distances(position: Array) -> Array:
    """(..., M - 1) [m] between neighbouring markers (..., M, 3)."""
    return np.asarray(np.linalg.norm(np.diff(position, axis=-2), axis=-1))


def takes_of(file: Path) -> list[Take]:
    """The clean takes of one line, fastest first, each cropped about its fastest moment."""
    with np.load(file) as data:
        position, numbers = data["pos_um"] * 1e-6, data["take"]
    apart = distances(position)
    usual = np.median(apart, axis=(0, 1))
    speed = np.linalg.norm(np.diff(position, axis=1), axis=-1).max(-1) * RATE
    jump = np.linalg.norm(np.diff(position, 2, axis=1), axis=-1).max((1, 2)) * RATE**2
    clean = (jump < CLEAN[0]) & (np.abs(apart - usual).max((1, 2)) < CLEAN[1])
    inner = slice(GRIPPED, 1 - GRIPPED - 1)
    found = []
    for i in np.flatnonzero(clean):
        others = clean & (np.arange(clean.size) != i)
        means = apart[others].mean(axis=1)
        within = apart[others].std(axis=1)[:, inner]
        count = round(SPAN * RATE) + 1
        peak = int(speed[i].argmax())
        start = int(np.clip(peak - count // 2, 0, position.shape[1] - count))
        found.append(
            Take(
                line=file.stem,
                number=int(numbers[i]),
                position=position[i, start : start + count],
                station=np.concatenate([[0.0], np.cumsum(means.mean(axis=0))]),
                spread=float(np.sqrt((within**2).mean() / 2)),
                wander=float(np.sqrt((means.std(axis=0)[inner] ** 2).mean() / 2)),
                speed=float(speed[i].max()),
                fastest=peak - start,
            )
        )
    return sorted(found, key=lambda take: -take.speed)


def withheld(take: Take, run: str) -> Mask:
    """(T, M), the samples that the estimate is not shown."""
    count, markers = take.position.shape[:2]
    inner = np.arange(GRIPPED, markers - GRIPPED)
    mask = np.zeros((count, markers), dtype=bool)
    if run == "A":
        mask[:, inner[1::2]] = True
        return mask
    long = round(GAP * RATE)
    edge = round(0.2 * RATE)
    start = int(np.clip(take.fastest - long // 2, edge, count - edge - long))
    mask[start : start + long, inner] = True
    return mask


def trial_of(take: Take, mask: Mask) -> Trial:
    """What the estimate is given."""
    seen = np.where(mask[..., None], np.nan, take.position)
    station = take.station
    markers = Markers(
        time=take.time,
        labels=tuple(f"M{i:02d}" for i in range(station.size)),
        position=seen,
        sd=np.full(mask.shape, MARKER_SD),
        station=station,
        station_sd=float(np.hypot(take.spread, take.wander)),
        stand_off=float(np.sqrt(3.0) * take.spread),
    )
    line = Line(
        station=np.array([0.0, station[-1]]),
        diameter=np.full(2, DIAMETER),
        linear_density=np.full(2, DENSITY),
        handle_length=float(station[GRIPPED - 1]),
        ends="held",
    )
    return Trial(name=take.name, line=line, markers=markers)


MARKER_SD = 0.1e-3
"""Noise of a coordinate [m], far under the stand-off."""


def along_line(take: Take, mask: Mask, straight: bool) -> Array:
    """(T, M, 3) through the markers seen in each frame: straight lines, or a cubic spline."""
    found = np.empty_like(take.position)
    for i, hidden in enumerate(mask):
        s, place = take.station[~hidden], take.position[i, ~hidden]
        if straight:
            found[i] = np.stack([np.interp(take.station, s, place[:, a]) for a in range(3)], -1)
        else:
            found[i] = CubicSpline(s, place, bc_type="natural")(take.station)
    return found


def over_time(take: Take, mask: Mask) -> Array:
    """(T, M, 3): each marker splined over time across its gap."""
    found = take.position.copy()
    for label in np.flatnonzero(mask.any(axis=0)):
        have = ~mask[:, label]
        found[:, label] = CubicSpline(take.time[have], take.position[have, label])(take.time)
    return found


def foretold(take: Take, trial: Trial, fit: Fit) -> tuple[Array, Array]:
    """Place and standard deviation (T, M, 3) of every marker sample, by the fit.

    A marker's own slip along the line counts where it was fitted; its stand-off, and its slip where
    nothing was seen of it, widen the interval of its sample beyond the line's own.
    """
    markers = trial.markers
    slip = [fit.shared.get(f"station:{label}", (0.0, 0.0)) for label in markers.labels]
    seen = np.isfinite(markers.position[..., 0]).any(axis=0)
    away = np.array([value if have else 0.0 for (value, _), have in zip(slip, seen, strict=True)])
    loose = np.array([sd for _, sd in slip])
    at = np.clip(markers.station + away, 0.0, trial.line.length)
    grid = Grid(take.time, at, np.ones(take.time.size, dtype=bool))
    place, sd = fitted(fit, grid)
    step = 2e-3
    ends = [
        fitted(fit, Grid(take.time, np.clip(at + side, 0, trial.line.length), grid.near))[0]
        for side in (-step, step)
    ]
    along = (ends[1] - ends[0]) / (2 * step)
    noise = np.hypot(markers.sd[0, 0], markers.stand_off / np.sqrt(3.0))
    return place, np.sqrt(sd**2 + noise**2 + (loose[:, None] * along) ** 2)


def one(take: Take, run: str, options: Options = OPTIONS) -> dict[str, Any]:
    """One take and run, scored; a failure is a record too."""
    mask = withheld(take, run)
    record: dict[str, Any] = {"take": take.name, "run": run, "speed": round(take.speed, 2)}
    plain = {"arc": along_line(take, mask, straight=False)}
    plain |= {"naive": along_line(take, mask, True) if run == "A" else over_time(take, mask)}
    for name, place in plain.items():
        record[f"rms_{name}"] = _rms(place - take.position, mask)
    trial = trial_of(take, mask)
    record["station_sd"], record["stand_off"] = trial.markers.station_sd, trial.markers.stand_off
    begun = time.time()
    try:
        fit = estimate(trial, options)
    except LashwaveError as problem:
        record["failed"] = f"{type(problem).__name__}: {problem}"
        return record
    record["wall_s"] = round(time.time() - begun, 1)
    place, sd = foretold(take, trial, fit)
    error = place - take.position
    record["rms"] = _rms(error, mask)
    record["rms_seen"] = _rms(error, ~mask)
    record["cover"] = float((np.abs(error) <= 1.959964 * sd)[mask].mean())
    record["own"] = float(np.sqrt((error**2).mean(axis=0).sum(-1))[mask.any(axis=0)].mean())
    steady = [(error[mask[:, m], m].mean(0) ** 2).sum() for m in np.flatnonzero(mask.any(0))]
    record["steady"] = float(np.sqrt(np.mean(steady)))
    record["sd"] = float(np.sqrt((sd**2)[mask].mean() * 3))
    record["shared"] = {n: v for n, v in fit.shared.items() if ":" not in n}
    record["warnings"] = list(fit.warnings)
    return record


def _rms(error: Array, mask: Mask) -> float:
    return float(np.sqrt((error**2).sum(axis=-1)[mask].mean()))
