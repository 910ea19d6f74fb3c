"""The account of momentum and energy as lists over time and station, for answers.nc."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashwave.answers.account import AccountDraws
from lashwave.answers.quantiles import band
from lashwave.quantities.line import Line

if TYPE_CHECKING:
    import xarray as xr

Array = NDArray[np.float64]

_ON_TIME = {
    "potential_energy": ("potential", "J", "gravity's potential energy since the first sample"),
    "bending_energy": ("bending", "J", "energy stored in bending"),
    "drag_loss": ("drag", "J", "energy lost so far to the air, the tuft's apart"),
    "tuft_loss": ("tuft", "J", "energy lost so far by the tuft to the air"),
    "damping_loss": ("damping", "J", "energy lost so far to damping of bending"),
    "unexplained_work": ("unexplained", "J", "the hand's work so far, less stored and lost energy"),
}
_WITH_AXIS = {
    "momentum": ("momentum", "N s", "momentum of grip and line"),
    "angular_momentum": ("angular", "N m s", "angular momentum about the lab's origin"),
    "hand_torque": ("torque", "N m", "the hand's torque about the butt, mean over 10 ms"),
}
_AXES = ("time", "axis")


def put_account(lists: xr.Dataset, account: AccountDraws, line: Line) -> None:
    """Add the account's lists with their central 95 %; one that no draw knows is left out."""
    lists.coords["axis"] = ["x", "y", "z"]
    lists.coords["flux_station"] = account.flux_station
    lists["flux_station"].attrs = {"units": "m", "long_name": "stations of the fluxes"}
    for name, (own, unit, words) in _ON_TIME.items():
        put(lists, name, ("time",), getattr(account, own), unit, words)
    for name, (own, unit, words) in _WITH_AXIS.items():
        put(lists, name, _AXES, getattr(account, own), unit, words)
    words = "energy lost to the air over the record per length, the tuft's apart"
    put(lists, "drag_loss_by_station", ("station",), account.drag_by_station, "J m-1", words)
    words = "power that passes a station outward"
    put(lists, "energy_flux", ("time", "flux_station"), account.energy_flux, "W", words)
    words = "momentum that passes a station outward a second: force on what lies beyond"
    dims = ("time", "flux_station", "axis")
    put(lists, "momentum_flux", dims, account.momentum_flux, "N", words)
    _kinetic(lists, line)


def put(
    lists: xr.Dataset, name: str, dims: tuple[str, ...], draws: NDArray[np.floating],
    unit: str, words: str,
) -> None:  # fmt: skip
    """Median and central 95 % of draws (n, ...) as NAME, NAME_low, NAME_high; none if all nan."""
    if not np.isfinite(draws).any():
        return
    shape = draws.shape[1:]
    edges = [e.reshape(shape) for e in band(draws.reshape(draws.shape[0], -1).astype(float))]
    said = {"_low": ", 2.5 % quantile", "": "", "_high": ", 97.5 % quantile"}
    for (end, more), value in zip(said.items(), edges, strict=True):
        lists[name + end] = (dims, value, {"units": unit, "long_name": words + more})


def _kinetic(lists: xr.Dataset, line: Line) -> None:
    """Half mass per length times speed squared, which grows with the speed as its band does."""
    density = np.interp(lists["station"].values, line.station, line.linear_density)
    for end in ("_low", "", "_high"):
        lists["kinetic_energy_by_station" + end] = (
            ("time", "station"),
            0.5 * density * lists["speed" + end].values ** 2,
            {"units": "J m-1", "long_name": "kinetic energy per length of line" + end},
        )
