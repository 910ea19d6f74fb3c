"""Answers that are a list over time, or over time and station: the content of answers.nc."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashwave.answers import energy
from lashwave.answers.bend import Bends
from lashwave.answers.quantiles import band, last_axis_band
from lashwave.answers.register import attributes
from lashwave.quantities.arrays import Array
from lashwave.quantities.fit import Draws

if TYPE_CHECKING:
    import xarray as xr


def speed_draws(draws: Draws) -> NDArray[np.float32]:
    """(D, K, S) [m/s] at the grid times; single precision, good to 1e-7 of itself."""
    speed = np.empty(draws.velocity.shape[:3], dtype=np.float32)
    for d, velocity in enumerate(draws.velocity):
        np.sqrt(np.einsum("ksi,ksi->ks", velocity, velocity), out=speed[d], casting="same_kind")
    return speed


def over_time_and_station(
    draws: Draws, speed: NDArray[np.float32], sound: float, bends: Bends
) -> xr.Dataset:
    """Median and central 95 % (`_low`, `_high`) of each list on the draws' grid.

    The hand's lists are left out where no draw knows them: the far end is held too.

    speed : (D, K, S) [m/s], from `speed_draws`; sound : [m/s].
    """
    import xarray as xr

    on_time: dict[str, Array] = {
        "bend_station": bends.station,
        "bend_speed": bends.speed,
        "bend_turn": bends.turn,
        "tip_speed": speed[:, :, -1].astype(float),
        "kinetic_energy": draws.kinetic_energy,
        "hand_power": draws.hand_power,
        "hand_work": energy.doubted_work(draws),
        "hand_force": np.linalg.norm(draws.hand_force, axis=-1),
    }
    lists = xr.Dataset(coords={"time": draws.time, "station": draws.station})
    for name, values in on_time.items():
        if name.startswith("hand_") and not np.isfinite(values).any():
            continue
        _put(lists, name, ("time",), band(values))
    _put(lists, "speed", ("time", "station"), _speed_band(speed))
    _put(lists, "tip_mach", ("time",), _over(lists, "tip_speed", sound))
    _put(lists, "mach", ("time", "station"), (np.nan, lists["speed"].values / sound, np.nan))
    lists["time"].attrs = {"units": "s", "long_name": "lab time"}
    lists["station"].attrs = {"units": "m", "long_name": "arc length from the butt"}
    return lists


def _speed_band(speed: NDArray[np.float32]) -> tuple[Array, Array, Array]:
    """The band of speeds (D, K, S), some times at a time so that little is copied at once."""
    blocks = np.array_split(np.arange(speed.shape[1]), max(1, speed.shape[1] // 200))
    bands = [last_axis_band(np.ascontiguousarray(speed[:, b].transpose(1, 2, 0))) for b in blocks]
    low, middle, high = (np.concatenate(part) for part in zip(*bands, strict=True))
    return low, middle, high


def _over(lists: xr.Dataset, name: str, by: float) -> tuple[Array, Array, Array]:
    low, middle, high = (lists[name + edge].values / by for edge in ("_low", "", "_high"))
    return low, middle, high


def _put(
    lists: xr.Dataset,
    name: str,
    dims: tuple[str, ...],
    values: tuple[Array | float, Array, Array | float],
) -> None:
    """Store a band; an edge that is a bare nan is left out."""
    low, middle, high = values
    for end, value in (("", middle), ("_low", low), ("_high", high)):
        if np.ndim(value):
            lists[name + end] = (dims, value, attributes(name + end))
