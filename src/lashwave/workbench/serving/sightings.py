"""What was seen, and what the fit made of it: used, distrusted or missing, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.instruments.camera import project
from lashwave.quantities.fit import DISTRUSTED
from lashwave.quantities.motion import interpolate
from lashwave.quantities.sightings import Camera
from lashwave.workbench import health
from lashwave.workbench.serving.opened import Answered, Opened, Reader, answers_stamp
from lashwave.workbench.serving.pack import pack

Array = NDArray[np.float64]
MOST = 200_000
"""Sightings that are sent at once."""
CORE, DEGREES = 3.0, 4.0
"""Deviations of three coordinates up to which a sighting is trusted, and the degrees of freedom of
the Student tail beyond: the estimator's own, whose import would cost the first view seconds."""
WEIGHT = (
    "from 1 (trusted) to 0 (distrusted), judged by how far a sighting lies from the answered "
    "motion in its standard deviations: 1 up to some 3, below 0.4 from some 5 on"
)


@dataclass(frozen=True)
class Judged:
    """Sightings against the answered motion, in standard deviations."""

    marker: Array
    """(T, L, 3), nan where not seen or not known."""
    marker_weight: Array
    """(T, L)"""
    camera: dict[str, Array]
    """(P, 2)"""
    camera_weight: dict[str, Array]
    """(P,)"""


def clock_of(camera: Camera, answers: Answered | None) -> tuple[float, float, float]:
    """Offset [s], drift [1] and sd of the offset [s]: fitted where there are answers."""
    quantities = {} if answers is None else answers.summary.get("quantities", {})
    offset = quantities.get(f"clock_offset:{camera.name}", {})
    drift = quantities.get(f"clock_drift:{camera.name}", {})
    if offset.get("value") is None:
        return camera.clock.offset, 0.0, camera.clock.offset_sd
    sd = offset.get("sd")
    return offset["value"], drift.get("value") or 0.0, camera.clock.offset_sd if sd is None else sd


def registration_of(camera: Camera, answers: Answered | None) -> tuple[float, float]:
    """Fitted offset of the image [px]; 0 where there are no answers."""
    quantities = {} if answers is None else answers.summary.get("quantities", {})
    u, v = (quantities.get(f"registration_{c}:{camera.name}", {}).get("value") for c in "uv")
    return (u or 0.0), (v or 0.0)


def lab_time(camera: Camera, answers: Answered | None, frame: Any) -> Array:
    """Lab time [s] of frames, by the clock in force."""
    offset, drift, _ = clock_of(camera, answers)
    return np.asarray(offset + (1.0 + drift) * np.asarray(frame, float) / camera.rate)


def judged(reader: Reader, opened: Opened) -> Judged:
    """Residuals and weights of all sightings; nan throughout where there are no answers."""
    answers = reader.answers(opened)
    mark = repr([opened.hashes, None if answers is None else answers_stamp(answers.path)])
    return reader.judged.get(opened.id, mark, lambda: _judged(reader, opened, answers))


def _judged(reader: Reader, opened: Opened, answers: Answered | None) -> Judged:
    trial = opened.trial
    markers = trial.markers
    residual = np.full(markers.position.shape, np.nan)
    camera = {c.name: np.full(c.uv.shape, np.nan) for c in trial.cameras}
    if answers is not None:
        motion, _ = reader.motion(answers)
        time, station = motion["time"].values, motion["station"].values
        parts = [motion[n].values for n in ("position", "velocity", "position_sd")]
        if markers.time.size:
            residual = _marker_residual(opened, time, station, parts)
        for c in trial.cameras:
            at = lab_time(c, answers, c.frame)
            place, _ = _along(time, station, parts, at, c.station)
            uv = project(c, place) + np.array(registration_of(c, answers))
            camera[c.name] = (uv - c.uv) / c.point_sd[:, None]

    return Judged(residual, weights(residual), camera, {n: weights(v) for n, v in camera.items()})


def weights(residual: Array) -> Array:
    """Trust (...) in sightings with whitened residuals (..., d); nan where not known."""
    size = residual.shape[-1]
    core = CORE**2 * size / 3.0 + 1.0
    squared = np.square(residual).sum(axis=-1)
    return np.asarray(np.minimum(1.0, (DEGREES + core) / (DEGREES + squared)))


def _marker_residual(opened: Opened, time: Array, station: Array, parts: list[Array]) -> Array:
    """(T, L, 3); the stand-off of a marker and the sd of the motion widen what is expected."""
    markers = opened.trial.markers
    residual = np.full(markers.position.shape, np.nan)
    for i, s in enumerate(markers.station):
        if not np.isfinite(s):
            continue
        seen = np.flatnonzero(np.isfinite(markers.position[:, i, 0]))
        if not seen.size:
            continue
        place, sd = _along(time, station, parts, markers.time[seen], np.full(seen.size, s))
        stated = markers.sd[seen, i]
        known = np.sqrt(stated**2 + markers.stand_off**2 / 3.0 + markers.station_sd**2 / 3.0)
        spread = np.sqrt(known[:, None] ** 2 + sd**2)
        residual[seen, i] = (place - markers.position[seen, i]) / spread
    return residual


def _along(
    time: Array, station: Array, parts: list[Array], at: Array, along: Array
) -> tuple[Array, Array]:
    """Position (Q, 3) and its sd at times and stations (Q,); nan outside the motion's times."""
    place, sd = np.full((at.size, 3), np.nan), np.full((at.size, 3), np.nan)
    i = np.clip(np.searchsorted(station, along, side="right") - 1, 0, station.size - 2)
    w = ((along - station[i]) / (station[i + 1] - station[i]))[:, None]
    inside = (at >= time[0]) & (at <= time[-1])
    for k in np.unique(i[inside]):
        q = np.flatnonzero(inside & (i == k))
        two = slice(k, k + 2)
        x, _ = interpolate(time, parts[0][:, two], parts[1][:, two], at[q])
        near = np.clip(np.searchsorted(time, at[q]), 0, time.size - 1)
        e = parts[2][near][:, two]
        place[q] = (1 - w[q]) * x[:, 0] + w[q] * x[:, 1]
        sd[q] = (1 - w[q]) * e[:, 0] + w[q] * e[:, 1]
    return place, sd


def features(opened: Opened, camera: Camera) -> tuple[list[str], NDArray[np.int64]]:
    """Names of a camera's features, and the number (P,) of each point's."""
    tables = {t.text("name"): t for t in opened.description.subs("cameras")}
    stations = tables[camera.name].sub("stations") if camera.name in tables else None
    placed = {}
    if stations is not None:
        placed = {n: stations.number(n, "length") for n in stations.table}
    names = list(placed) or [f"{s:g} m" for s in np.unique(camera.station)]
    where = np.array(list(placed.values()) or np.unique(camera.station))
    if not where.size:
        return names, np.zeros(camera.frame.size, dtype=np.int64)
    return names, np.abs(camera.station[:, None] - where).argmin(axis=1)


def sightings(reader: Reader, opened: Opened) -> bytes:
    """The pack of all sightings; thinned over time, and saying so, where there are too many."""
    answers = reader.answers(opened)
    mark = repr([opened.hashes, None if answers is None else answers_stamp(answers.path)])
    return reader.derived(
        f"{opened.id}.sightings.pack", mark, lambda: _sightings(reader, opened, answers)
    )


def _sightings(reader: Reader, opened: Opened, answers: Answered | None) -> bytes:
    markers, cameras = opened.trial.markers, opened.trial.cameras
    known = judged(reader, opened)
    total = markers.position.shape[0] * markers.position.shape[1]
    points = sum(c.frame.size for c in cameras)
    step = max(1, -(-(total + points) // MOST))
    # Where a camera looks the markers matter most; elsewhere an even share will do.
    some = slice(None, None, step)
    arrays: dict[str, tuple[str, NDArray]] = {
        "marker_time": ("f8", markers.time[some]),
        "marker_xyz": ("f4", markers.position[some]),
        "marker_weight": ("f4", known.marker_weight[some]),
    }
    names = []
    for i, camera in enumerate(cameras):
        called, number = features(opened, camera)
        names.append(called)
        arrays[f"cam{i}_frame"] = ("i4", camera.frame[some])
        arrays[f"cam{i}_time"] = ("f8", lab_time(camera, answers, camera.frame[some]))
        arrays[f"cam{i}_uv"] = ("f4", camera.uv[some])
        arrays[f"cam{i}_weight"] = ("f4", known.camera_weight[camera.name][some])
        arrays[f"cam{i}_feature"] = ("i4", number[some])
    meta: dict[str, Any] = {
        "labels": list(markers.labels),
        "stations": markers.station,
        "cameras": [c.name for c in cameras],
        "features": names,
        "reasons": {"weight": WEIGHT, **reasons(opened, known)},
    }
    if step > 1:
        meta["note"] = f"every {step}th sample of {total + points} sightings is shown"
    return pack(arrays, meta)


def reasons(opened: Opened, known: Judged) -> dict[str, str]:
    """A sentence for each marker and camera: how much is missing, when, and how much doubted."""
    markers, said = opened.trial.markers, {}
    if markers.time.size:
        for one in health.of_markers(markers):
            i = markers.labels.index(one.label)
            weight = known.marker_weight[:, i]
            parts = [f"seen in {one.coverage:.0%} of samples"]
            if one.coverage < 1.0:
                parts.append(f"longest gap {1e3 * one.longest_gap:.0f} ms{_when(opened, i)}")
            parts.append(_doubted(weight))
            said[one.label] = ", ".join(p for p in parts if p)
    for camera in opened.trial.cameras:
        said[camera.name] = f"{camera.frame.size} points"
        if text := _doubted(known.camera_weight[camera.name]):
            said[camera.name] += f", {text}"
    return said


def _when(opened: Opened, column: int) -> str:
    """From when on the longest gap of a marker lasts."""
    markers = opened.trial.markers
    seen = np.isfinite(markers.position[:, column, 0])
    edges = np.flatnonzero(np.concatenate([[True], seen, [True]]))
    start = edges[int(np.diff(edges).argmax())]
    return f" from {markers.time[min(start, markers.time.size - 1)]:.3f} s"


def _doubted(weight: Array) -> str:
    known = np.isfinite(weight)
    count = int((weight[known] < DISTRUSTED).sum())
    return f"{count} of {int(known.sum())} distrusted" if count else ""
