"""The account of momentum and energy as lists over time and station, for answers.nc."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashwave.answers.account import AccountDraws
from lashwave.answers.quantiles import band
from lashwave.answers.register import attributes
from lashwave.quantities.line import Line

if TYPE_CHECKING:
    import xarray as xr


_ON_TIME = {
    "potential_energy": "potential", "bending_energy": "bending", "drag_loss": "drag",
    "tuft_loss": "tuft", "damping_loss": "damping", "unexplained_work": "unexplained",
}  # fmt: skip
_WITH_AXIS = {"momentum": "momentum", "angular_momentum": "angular", "hand_torque": "torque"}
"""Lists by name, and where the account has them."""


def put_account(lists: xr.Dataset, account: AccountDraws, line: Line) -> None:
    """Add the account's lists with their central 95 %; one that no draw knows is left out."""
    lists.coords["axis"] = ["x", "y", "z"]
    lists.coords["flux_station"] = account.flux_station
    lists["flux_station"].attrs = {"units": "m", "long_name": "stations of the fluxes"}
    for name, own in _ON_TIME.items():
        put(lists, name, ("time",), getattr(account, own))
    for name, own in _WITH_AXIS.items():
        put(lists, name, ("time", "axis"), getattr(account, own))
    put(lists, "drag_loss_by_station", ("station",), account.drag_by_station)
    put(lists, "energy_flux", ("time", "flux_station"), account.energy_flux)
    put(lists, "momentum_flux", ("time", "flux_station", "axis"), account.momentum_flux)
    _kinetic(lists, line)


def put(lists: xr.Dataset, name: str, dims: tuple[str, ...], draws: NDArray[np.floating]) -> None:
    """Median and central 95 % of draws (n, ...) as NAME, NAME_low, NAME_high; none if all nan."""
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
