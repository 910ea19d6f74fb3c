"""Lines, hands and airs of one's own, thousands at once: their motions as one xarray."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from lashwave.mechanics import (
    FINENESS,
    RESULTS,
    Chain,
    Grip,
    Law,
    Member,
    build,
    known_stiffness,
    medium,
    rest_shape,
    setup,
    start_motion,
    together,
)
from lashwave.quantities import TRIAL_GRAVITY, Air, Array, InputError, Line

if TYPE_CHECKING:
    import xarray as xr

Kind = TypeVar("Kind")
END = 0.9
"""From here on, over the length, is the line's end whose energy and bends are looked at."""
VARIABLES = {
    "peak_speed": ("speed", "m/s", "greatest speed of the tip"),
    "peak_time": ("time", "s", "when that was"),
    "peak_speed_100us": ("speed_100us", "m/s", "largest mean speed of the tip over 100 us there"),
    "peak_force": ("force", "N", "largest mean force of the hand over 5 ms, up to then"),
    "end_energy": ("end_energy", "J", "largest kinetic energy of the line's last tenth till then"),
    "energy_open": ("open", "J", "most that the account of energy left open, up to then"),
    "steps": ("steps", "1", "of the engine"),
    "ill": ("ill", "1", "1: a number ceased to be finite; 2: the steps ran out"),
}
"""Of the dataset by name: the engine's name, unit, meaning."""


def simulated(
    lines: Line | Sequence[Line],
    hands: Grip | Sequence[Grip],
    airs: Air | Sequence[Air] = Air(),
    laws: Law | Sequence[Law] = Law(),
    *,
    times: ArrayLike,
    nodes: int = 60,
    fineness: tuple[float, float, float] = FINENESS,
    exact: bool = False,
    gpu: bool = False,
    processes: int | None = None,
) -> xr.Dataset:
    """Motions of many lines, each hanging from its hand and carried along by it at times[0].

    Parameters
    ----------
    lines, hands, airs, laws : M of each, or one for all.
    times : (T,) [s], increasing; the places at these are kept, (M, T, nodes, 3).
    nodes : of every line, closer toward the tip.
    fineness : see `mechanics.FINENESS`.
    exact : in double precision, one by one. gpu : on a graphics card (extra `[gpu]`).
    processes : cores at once; None: all.

    Raises
    ------
    InputError : lengths do not agree, a line is held at its far end, or there is no card.
    SimulationError : some lines have a handle and some have none.
    """
    kept = np.atleast_1d(np.asarray(times, dtype=float))
    if kept.ndim != 1 or kept.size < 2 or not (np.diff(kept) > 0).all():
        raise InputError("times", "are not two or more that increase", "give them in order, in s")
    every = _alike(lines=lines, hands=hands, airs=airs, laws=laws)
    chains = [_chain(line, nodes) for line in every["lines"]]
    members = [
        _member(chain, grip, air, law, kept)
        for chain, grip, air, law in zip(
            chains, every["hands"], every["airs"], every["laws"], strict=True
        )
    ]
    beyond = min(int(np.searchsorted(c.station, END * c.station[-1])) for c in chains)
    found = together(
        members, fineness, beyond=beyond, times=kept, exact=exact, gpu=gpu, threads=processes
    )
    return _dataset(found.result, found.place, kept, np.stack([c.station for c in chains]))


def _alike(**given: object) -> dict[str, list]:
    """Each as a list of the same length."""
    lists = {k: list(v) if isinstance(v, list | tuple) else [v] for k, v in given.items()}
    count = max(map(len, lists.values()))
    for name, values in lists.items():
        if len(values) not in (1, count):
            raise InputError(
                "simulated", f"{len(values)} {name} beside {count} of others",
                f"give {count}, or one for all", field=name,
            )  # fmt: skip
    return {k: v * count if len(v) == 1 else v for k, v in lists.items()}


def _chain(line: Line, nodes: int) -> Chain:
    """A line of so many nodes, twice as close at the tip as at the grip."""
    if line.ends == "held":
        raise InputError("lines", "one is held at its far end", "use `simulate` for it")
    first = line.handle_length
    share = np.linspace(0.0, 1.0, nodes - (1 if first > 0 else 0))
    along = first + (line.length - first) * share * (4.0 - share) / 3.0
    along[-1] = line.length
    station = np.concatenate([[0.0], along]) if first > 0 else along
    return build(line, station, known_stiffness(line).value)


def _member(chain: Chain, grip: Grip, air: Air, law: Law, times: Array) -> Member:
    begin, end = float(times[0]), float(times[-1])
    rest = rest_shape(chain, grip, TRIAL_GRAVITY, law, time=begin)
    ready = setup(chain, grip, medium(air), TRIAL_GRAVITY, law)
    place, speed = start_motion(chain, ready, rest, None, begin)
    return Member(ready, chain.node_mass, place, speed, begin, end)


def _dataset(result: Array, place: Array, times: Array, station: Array) -> xr.Dataset:
    import xarray as xr

    columns = dict(zip(RESULTS, result.T, strict=True))
    named = {
        name: ("throw", columns[key], {"units": unit, "long_name": meaning})
        for name, (key, unit, meaning) in VARIABLES.items()
    }
    at_peak = np.stack([columns[k] for k in ("x", "y", "z")], axis=1)
    return xr.Dataset(
        {
            "position": (("throw", "time", "node", "axis"), place, {"units": "m"}),
            "peak_position": (("throw", "axis"), at_peak, {"units": "m"}),
            **named,
        },
        {
            "time": ("time", times, {"units": "s"}),
            "axis": ["x", "y", "z"],
            "station": (("throw", "node"), station, {"units": "m"}),
        },
    )
