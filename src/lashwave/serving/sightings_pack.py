"""What was seen, and what the fit made of it: used, distrusted or missing, and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lashwave.files import parse_mends, read_judgement
from lashwave.pipeline import health
from lashwave.quantities import DISTRUSTED, Array, Camera
from lashwave.serving.opened import Answered, Opened, Reader, answers_stamp, read
from lashwave.serving.replies import pack

if TYPE_CHECKING:
    import xarray as xr

MOST = 200_000
"""Sightings that are sent at once."""
WEIGHT = "from 1 (trusted) to 0 (distrusted), as the fit weighed it: below 0.4 from some 5 sd on"


@dataclass(frozen=True)
class WeighedSightings:
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
    """Lab time (P,) [s] of frames (P,), by the clock in force."""
    offset, drift, _ = clock_of(camera, answers)
    return np.asarray(offset + (1.0 + drift) * camera.counted(frame) / camera.rate)


def judged(reader: Reader, opened: Opened) -> WeighedSightings:
    """Residuals and weights of all sightings; nan throughout where there are no answers."""
    answers = reader.answers(opened)
    mark = repr([opened.hashes, None if answers is None else answers_stamp(answers.path)])
    return reader.judged.get(opened.id, mark, lambda: _judged(opened, answers))


def _judged(opened: Opened, answers: Answered | None) -> WeighedSightings:
    """As sightings.nc says; nan where it is absent, or of other sightings than the trial's now."""
    trial = opened.trial
    marker = np.full(trial.markers.position.shape, np.nan)
    trust = np.full(marker.shape[:2], np.nan)
    camera = {c.name: np.full(c.uv.shape, np.nan) for c in trial.cameras}
    weight = {c.name: np.full(c.uv.shape[0], np.nan) for c in trial.cameras}
    known = None if answers is None else read_judgement(answers.path)
    if known is not None:
        _take(known, "marker_residual", marker)
        _take(known, "marker_weight", trust)
        for name in camera:
            _take(known, f"residual:{name}", camera[name])
            _take(known, f"weight:{name}", weight[name])
    return WeighedSightings(marker, trust, camera, weight)


def _take(known: xr.Dataset, name: str, into: Array) -> None:
    if name in known and known[name].shape == into.shape:
        into[...] = known[name].values


def features(opened: Opened, camera: Camera) -> tuple[list[str], NDArray[np.int64]]:
    """Names of a camera's features, and the number (P,), no unit, of each point's."""
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
        "moved": moved(reader, opened),
    }
    if step > 1:
        meta["note"] = f"every {step}th sample of {total + points} sightings is shown"
    return pack(arrays, meta)


def moved(reader: Reader, opened: Opened) -> list[dict[str, Any]]:
    """Points corrected by hand: camera, frame, and where they were (null: nowhere) and are [px]."""
    if opened.alone or (text := _mends_text(reader, opened)) is None:
        return []
    wanted = [m for m in parse_mends(text, "mends") if m.get("kind") == "correct-point"]
    if not wanted:
        return []
    before = {c.name: c for c in read(opened.id, opened.path, b"").trial.cameras}
    now, found = {c.name: c for c in opened.trial.cameras}, []
    for mend in wanted:
        frame, uv = int(mend.get("frame")), [float(mend.get("u")), float(mend.get("v"))]
        name = str(mend.get("camera"))
        if name not in now or name not in before:
            continue
        at = np.flatnonzero((now[name].frame == frame) & (np.abs(now[name].uv - uv) < 0.01).all(1))
        station = now[name].station[at[0]] if at.size else np.nan
        old = before[name].uv[(before[name].frame == frame) & (before[name].station == station)]
        was = old[0].tolist() if len(old) else None
        found.append({"camera": name, "frame": frame, "was": was, "is": uv})
    return found


def _mends_text(reader: Reader, opened: Opened) -> bytes | None:
    path = reader.library.mends(opened.id)
    return path.read_bytes() if path.is_file() else None


def reasons(opened: Opened, known: WeighedSightings) -> dict[str, str]:
    """A sentence for each marker and camera: how much is missing, when, and how much distrusted."""
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
