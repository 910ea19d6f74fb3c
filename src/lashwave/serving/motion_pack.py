"""The motion as a pack: thinned to what a screen can show, finest where the line is fastest."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities import SHOWN, Array, chosen_times
from lashwave.serving.opened import Opened, Reader, answers_stamp
from lashwave.serving.replies import pack

STATIONS = 200
FEW = 400
"""Times of the pack that is shown while the whole one is on its way."""


def chosen_stations(count: int, most: int = STATIONS) -> NDArray[np.intp]:
    """Numbers (M,), no unit, of at most `most` of `count` stations, with butt and tip."""
    if count <= most:
        return np.arange(count)
    return np.unique(np.round(np.linspace(0, count - 1, most)).astype(int))


def motion(reader: Reader, opened: Opened, few: bool = False) -> bytes:
    """The pack of the motion; Refused (404) where there are no answers.

    few : at most `FEW` times, and `more` in its head where there are more.
    """
    answers = reader.answered(opened)
    return reader.derived(
        f"{opened.id}.motion{'.few' if few else ''}.pack",
        answers_stamp(answers.path),
        lambda: _motion(reader, opened, FEW if few else SHOWN),
    )


def _motion(reader: Reader, opened: Opened, most: int) -> bytes:
    whole, lists = reader.motion(reader.answered(opened))
    time, station = whole["time"].values, whole["station"].values
    speed = np.sqrt((whole["velocity"].values ** 2).sum(axis=-1)).max(axis=1)
    k, s = chosen_times(time, np.nan_to_num(speed), most), chosen_stations(station.size)

    def cut(name: str) -> Array:
        return np.asarray(whole[name].values[np.ix_(k, s)])

    arrays: dict[str, tuple[str, NDArray]] = {
        "time": ("f8", time[k]),
        "station": ("f8", station[s]),
        "position": ("f4", cut("position")),
        "position_sd": ("f4", cut("position_sd").max(axis=-1)),
        "velocity": ("f4", cut("velocity")),
        "speed_sd": ("f4", speed_sd(cut("velocity"), cut("velocity_sd"))),
        "curvature": ("f4", cut("curvature")),
        "tension": ("f4", cut("tension")),
        "tension_sd": ("f4", cut("tension_sd")),
    }
    if "curvature_sd" in whole:  # answers of an older program have none
        arrays["curvature_sd"] = ("f4", cut("curvature_sd"))
    described: dict[str, Any] = {
        name: {"unit": whole[name].attrs.get("units"), "long_name": whole[name].attrs["long_name"]}
        for name in ("position", "position_sd", "velocity", "curvature", "tension")
    }
    for name, values in over_time(lists).items():
        arrays[name] = ("f4", np.interp(time[k], lists["time"].values, values))
        described[name] = {
            "unit": lists[name].attrs.get("units", "1"),
            "long_name": lists[name].attrs.get("long_name", name.replace("_", " ")),
        }
    count = int(whole.attrs.get("times_in_file", time.size))
    thinned = k.size < count or s.size < station.size
    meta = {"trial": opened.id, "thinned": thinned, "lists": described, "tops": tops(whole)}
    meta["more"] = k.size < min(time.size, SHOWN)
    if thinned:
        meta["note"] = f"{k.size} of {count} times, {s.size} of {station.size} stations"
    return pack(arrays, meta)


def tops(whole: Any) -> dict[str, list[float]]:
    """What each map goes up to, and the largest value, SI: the same for few times and for all.

    A few sharp bends would make all else of a map dark, so bends and tensions go to a quantile.
    """
    shares = {"speed": 1.0, "curvature": 0.995, "tension": 0.995}
    found = {}
    for name, share in shares.items():
        values = whole["velocity"].values if name == "speed" else whole[name].values
        if name == "speed":
            values = np.linalg.norm(values, axis=-1)
        known = values[np.isfinite(values)]
        if known.size:
            found[name] = [float(np.quantile(known, share)), float(known.max())]
    return found


def speed_sd(velocity: Array, sd: Array) -> Array:
    """Standard deviation (...,) [m/s] of a speed, of velocity and sd (..., 3) of its coordinates.

    To first order, coordinates taken as independent; of a line at rest the largest of the three.
    """
    speed = np.linalg.norm(velocity, axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        along = np.linalg.norm(velocity * sd, axis=-1) / speed
    return np.where(speed > 1e-6, along, sd.max(axis=-1))


def over_time(lists: Any) -> dict[str, Array]:
    """Every list (K,) of answers.nc that runs over time alone, by name, SI [m, m/s, N, J ...]."""
    return {
        str(name): np.asarray(values.values, dtype=float)
        for name, values in lists.data_vars.items()
        if values.dims == ("time",) and values.dtype.kind in "fiu"
    }
