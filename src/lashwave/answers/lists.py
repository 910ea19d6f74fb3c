"""Answers that are a list over time, or over time and station: the content of answers.nc."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashwave.answers.account import AccountDraws
from lashwave.answers.bend import Bends
from lashwave.answers.order import Order
from lashwave.answers.register import attributes
from lashwave.quantities import Array, Draws, Line, band, last_axis_band

if TYPE_CHECKING:
    import xarray as xr


_SO_FAR = {
    "potential_energy": "potential", "drag_loss": "drag", "tuft_loss": "tuft",
    "damping_loss": "damping", "unexplained_work": "unexplained",
}  # fmt: skip
_WITH_AXIS = {"momentum": "momentum", "angular_momentum": "angular", "hand_torque": "torque"}
"""Lists by name, and where the account has them."""


def put_account(lists: xr.Dataset, account: AccountDraws, line: Line) -> None:
    """Add the account's lists with their central 95 %; one that no draw knows is left out."""
    put_moments(lists, account, line)
    put_so_far(lists, account)


def put_so_far(lists: xr.Dataset, account: AccountDraws) -> None:
    """Those of the lists that count from the record's first time on."""
    for name, own in _SO_FAR.items():
        put(lists, name, ("time",), getattr(account, own))
    put(lists, "drag_loss_by_station", ("station",), account.drag_by_station)


def put_moments(lists: xr.Dataset, account: AccountDraws, line: Line) -> None:
    """Those that each moment has by itself."""
    lists.coords["axis"] = ["x", "y", "z"]
    lists.coords["flux_station"] = account.flux_station
    lists["flux_station"].attrs = {"units": "m", "long_name": "stations of the fluxes"}
    put(lists, "bending_energy", ("time",), account.bending)
    for name, own in _WITH_AXIS.items():
        put(lists, name, ("time", "axis"), getattr(account, own))
    put(lists, "energy_flux", ("time", "flux_station"), account.energy_flux)
    put(lists, "momentum_flux", ("time", "flux_station", "axis"), account.momentum_flux)
    _kinetic(lists, line)


def put(lists: xr.Dataset, name: str, dims: tuple[str, ...], draws: NDArray[np.floating]) -> None:
    """Median and central 95 % of draws (n, ...) as NAME, NAME_low, NAME_high; none if all nan.

    The draws have the unit that the register states for the name, as [N].
    """
    if not np.isfinite(draws).any():
        return
    shape = draws.shape[1:]
    edges = [e.reshape(shape) for e in band(draws.reshape(draws.shape[0], -1).astype(float))]
    for end, value in zip(("_low", "", "_high"), edges, strict=True):
        lists[name + end] = (dims, value, attributes(name + end))


def _kinetic(lists: xr.Dataset, line: Line) -> None:
    """Half mass per length times speed squared, which grows with the speed as its band does."""
    density = np.interp(lists["station"].values, line.station, line.linear_density)
    for end in ("_low", "", "_high"):
        lists["kinetic_energy_by_station" + end] = (
            ("time", "station"),
            0.5 * density * lists["speed" + end].values ** 2,
            attributes("kinetic_energy_by_station" + end),
        )


if TYPE_CHECKING:
    import xarray as xr


def speed_draws(draws: Draws) -> NDArray[np.float32]:
    """(D, K, S) [m/s] at the grid times; single precision, good to 1e-7 of itself."""
    speed = np.empty(draws.velocity.shape[:3], dtype=np.float32)
    for d, velocity in enumerate(draws.velocity):
        np.sqrt(np.einsum("ksi,ksi->ks", velocity, velocity), out=speed[d], casting="same_kind")
    return speed


def over_time_and_station(
    draws: Draws, speed: NDArray[np.float32], sound: float, bends: Bends, work: Array
) -> xr.Dataset:
    """Median and central 95 % (`_low`, `_high`) of each list on the draws' grid.

    The hand's lists are left out where no draw knows them: the far end is held too.

    speed : (D, K, S) [m/s], from `speed_draws`; sound : [m/s]; work : (D, K) [J], the hand's so
    far; nan where it is to be left out.
    """
    import xarray as xr

    on_time: dict[str, Array] = {
        "bend_station": bends.station,
        "bend_speed": bends.speed,
        "bend_turn": bends.turn,
        "tip_speed": speed[:, :, -1].astype(float),
        "kinetic_energy": draws.kinetic_energy,
        "hand_power": draws.hand_power,
        "hand_work": work,
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


def put_order(lists: xr.Dataset, table: Order) -> None:
    """`probability_before`, row before column, and the likeliest order."""
    lists.coords["event"] = list(table.events)
    lists.coords["event_after"] = list(table.events)
    likeliest = " < ".join(table.likeliest)
    said = {
        **attributes("probability_before"),
        "most_probable_order": likeliest,
        "most_probable_order_probability": table.probability,
        "draws": table.draws,
    }
    lists["probability_before"] = (("event", "event_after"), table.before, said)
    alone = attributes("probability_of_event")
    lists["probability_of_event"] = (("event",), table.happened, alone)
