"""Some draws of samples.nc, one at a time: all of them together may fill the memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from lashwave.quantities.arrays import Array
from lashwave.quantities.errors import InputError


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
    shared: dict[str, float]


def read_draws(folder: Path, count: int) -> Iterator[Draw]:
    """The first `count` draws of a folder of answers; they are independent of each other.

    Raises
    ------
    InputError
        Where samples.nc is absent or cannot be read.
    """
    import xarray as xr

    file = folder / "samples.nc"
    if not file.is_file():
        raise InputError(file, "there is no such file", "name a folder that `reconstruct` wrote")
    try:
        with xr.open_dataset(file, engine="h5netcdf") as opened:
            shared = {str(n): v.values for n, v in opened.data_vars.items() if v.dims == ("draw",)}
            time, station = opened["time"].values, opened["station"].values
            for d in range(min(count, opened.sizes["draw"])):
                place, speed = (
                    opened[name].isel(draw=d).values.astype(float)
                    for name in ("position", "velocity")
                )
                one = {n: float(v[d]) for n, v in shared.items()}
                yield Draw(time, station, place, speed, one)
    except (OSError, ValueError, KeyError):
        raise InputError(file, "cannot be read as draws", "reconstruct again") from None
