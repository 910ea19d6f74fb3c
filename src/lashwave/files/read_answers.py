"""Back from the NetCDF files of a folder of answers: every fault of theirs is one line."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from lashwave.files.checked_netcdf import AGAIN, netcdf
from lashwave.files.results import ADDED, MOTION
from lashwave.quantities import Array, InputError, chosen_times

if TYPE_CHECKING:
    import xarray as xr


@dataclass(frozen=True)
class Draw:
    """One draw of the posterior motion and of every shared parameter."""

    time: Array
    """(K,) [s]"""
    station: Array
    """(S,) [m]"""
    position: Array
    """(K, S, 3) [m]"""
    velocity: Array
    """(K, S, 3) [m/s]"""
    shared: dict[str, float]
    """By the names of summary.json, each in its own unit."""


SLAB = 1024
"""Times that are read at once where a part of them is kept."""


def read_motion(path: Path, most: int | None = None) -> xr.Dataset:
    """A motion file, or the one in a folder of answers, in memory.

    most : of its times that are kept, by the way that the tip goes; all where None.

    Raises
    ------
    InputError
        Where it is absent, is no NetCDF, or lacks a variable that `docs/trial-folder.md` names.
    """
    file = path / "motion.nc" if path.is_dir() else path
    with netcdf(file) as opened:
        motion = opened.load() if most is None else _thinned(opened, most)
    for name, (dims, unit, words) in MOTION.items():
        if name in ADDED and name not in motion:
            continue
        if name not in motion or motion[name].dims != dims or motion[name].dtype.kind != "f":
            raise InputError(file, f"is not on ({', '.join(dims)}) or missing", AGAIN, field=name)
        motion[name].attrs = {"units": unit, "long_name": words} | motion[name].attrs
    if motion.sizes["axis"] != 3:
        raise InputError(file, "has not three axes", AGAIN, field="axis")
    for name, fewest in (("time", 2), ("station", 2)):
        _check_rising(file, motion, name, fewest)
    place = motion["position"].values
    if not np.isfinite(place).all() or np.abs(place).max() > 1e6:
        raise InputError(file, "is not finite throughout", AGAIN, field="position")
    return motion


def _thinned(opened: xr.Dataset, most: int) -> xr.Dataset:
    """An opened file with at most so many of its times, read a slab of them at a time."""
    import xarray as xr

    count = opened.sizes.get("time", 0)
    if count <= most:
        return opened.load()
    speed = np.zeros(count)
    if "tip_speed" in opened:
        speed = np.abs(np.nan_to_num(opened["tip_speed"].values))
    elif "velocity" in opened:
        tip = opened["velocity"].isel(station=-1)
        for first in range(0, count, SLAB):
            part = tip.isel(time=slice(first, first + SLAB)).values
            speed[first : first + SLAB] = np.linalg.norm(part, axis=-1)
    wanted = chosen_times(opened["time"].values, speed, most)
    rows = [wanted[(wanted >= first) & (wanted < first + SLAB)] for first in range(0, count, SLAB)]
    slabs = [
        opened.isel(time=slice(first, first + SLAB)).load().isel(time=own - first)
        for first, own in zip(range(0, count, SLAB), rows, strict=True)
        if own.size
    ]
    few = xr.concat(slabs, dim="time", data_vars="minimal", coords="minimal", compat="override")
    return few.assign_attrs(times_in_file=count)


def read_lists(folder: Path, most: int | None = None) -> xr.Dataset:
    """answers.nc in memory; without variables where it is absent.

    most : of its times that are kept, as `read_motion` has it.

    Raises
    ------
    InputError
        Where it is damaged.
    """
    import xarray as xr

    file = folder / "answers.nc"
    if not file.is_file():
        return xr.Dataset()
    with netcdf(file) as opened:
        lists = opened.load() if most is None else _thinned(opened, most)
    for name in ("time", "station"):
        if name in lists.dims:
            _check_rising(file, lists, name, 1)
    return lists


def read_judgement(answers: Path) -> xr.Dataset | None:
    """sightings.nc of a folder of answers, wholly in memory; None where it cannot be read."""
    try:
        with netcdf(answers / "sightings.nc") as opened:
            return opened.load()
    except InputError:
        return None


def read_draws(folder: Path, count: int) -> Iterator[Draw]:
    """The first `count` draws of a folder of answers, one at a time; they are independent.

    Raises
    ------
    InputError
        Where samples.nc is absent or cannot be read.
    """
    with netcdf(folder / "samples.nc") as opened:
        shared = {str(n): v.values for n, v in opened.data_vars.items() if v.dims == ("draw",)}
        time, station = opened["time"].values, opened["station"].values
        for d in range(min(count, opened.sizes["draw"])):
            place, speed = (
                opened[name].isel(draw=d).values.astype(float) for name in ("position", "velocity")
            )
            yield Draw(time, station, place, speed, {n: float(v[d]) for n, v in shared.items()})


def _check_rising(file: Path, dataset: xr.Dataset, name: str, fewest: int) -> None:
    """Refuse a coordinate that is not finite numbers, each above the one before."""
    values = dataset[name].values if name in dataset.coords else np.empty(0)
    plain = values.dtype.kind == "f" and values.size >= fewest and bool(np.isfinite(values).all())
    if not plain or (np.diff(values) <= 0).any() or np.abs(values).max(initial=0.0) > 1e7:
        raise InputError(file, "does not increase, or is no numbers", AGAIN, field=name)
