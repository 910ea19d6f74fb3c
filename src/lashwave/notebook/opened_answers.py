"""Answers of a trial in a notebook: xarray with units, a table, pictures, a summary in HTML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from lashwave.quantities import Answer, Array

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from matplotlib.axes import Axes

COLUMNS = ("value", "sd", "low95", "high95", "unit", "probability", "reason")
SHOWN = (
    "peak_tip_speed", "peak_tip_mach", "sonic_time", "hand_work", "peak_grip_tension",
    "peak_kinetic_energy",
)  # fmt: skip
"""Answers that the summary in a notebook shows first."""
PLANES = {"xz": (0, 2), "xy": (0, 1), "yz": (1, 2)}
INSIDE = 1.96
"""Half width of a 95 % band in standard deviations."""


@dataclass(frozen=True, repr=False)
class OpenedAnswers:
    """What `reconstruct` found of a trial."""

    trial: str
    answers: dict[str, Answer]
    """By the names of docs/answers.md, SI."""
    motion: xr.Dataset
    """Over time [s] and station [m]: position, velocity, ... with standard deviations."""
    lists: xr.Dataset
    """Answers over time or station, as answers.nc."""
    warnings: tuple[str, ...] = ()

    @property
    def table(self) -> pd.DataFrame:
        """A row an answer: value, sd, 95 % interval, unit, and the reason where there is none."""
        import pandas as pd

        rows = {
            name: {column: getattr(answer, column) for column in COLUMNS}
            for name, answer in self.answers.items()
        }
        return pd.DataFrame.from_dict(rows, orient="index", columns=list(COLUMNS))

    @property
    def speed(self) -> xr.DataArray:
        """Speed of the line over time and station [m/s]."""
        found = (self.motion["velocity"] ** 2).sum("axis") ** 0.5
        return found.assign_attrs(units="m s-1", long_name="speed of the line")

    def __getitem__(self, name: str) -> Answer:
        """One answer by its name."""
        return self.answers[name]

    def __repr__(self) -> str:
        known = sum(answer.value is not None for answer in self.answers.values())
        return f"<answers of {self.trial}: {known} of {len(self.answers)} have a value>"

    def _repr_html_(self) -> str:
        """The summary that a notebook shows: digits as far as the sd supports, moments in ms."""
        names = [n for n in SHOWN if n in self.answers]
        names += [n for n in self.answers if n not in names]
        rows = "".join(self._row(name) for name in names)
        said = "".join(f"<li>{escape(warning)}</li>" for warning in self.warnings)
        return (
            f"<p><b>{escape(self.trial)}</b></p>"
            + (f"<ul>{said}</ul>" if said else "")
            + "<table><thead><tr><th>answer</th><th>median of draws</th><th>sd</th>"
            + "<th>95 %</th><th>unit</th></tr>"
            + f"</thead><tbody>{rows}</tbody></table>"
        )

    def _row(self, name: str) -> str:
        from lashwave.report import decimals, fixed, numbers

        answer = self.answers[name]
        if answer.value is None:
            why = escape(answer.reason or "–")
            return f"<tr><td>{escape(name)}</td><td colspan=4>{why}</td></tr>"
        shown, unit = numbers.readable(answer)
        assert shown.value is not None
        value, sd = (fixed(n, decimals(shown.sd, shown.value)) for n in (shown.value, shown.sd))
        cells = (name, value, sd, numbers.interval_of(shown), unit)
        return "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>"

    def plot_tip_speed(self, ax: Axes | None = None, **how: Any) -> Axes:
        """The tip's speed in the best motion over time [s], with its 95 % band, to first order."""
        axes = _axes(ax)
        tip = self.motion.isel(station=-1)
        velocity, sd = tip["velocity"].values, tip["velocity_sd"].values
        speed = np.linalg.norm(velocity, axis=-1)
        along = velocity / np.maximum(speed, 1e-12)[:, None]
        half = INSIDE * np.sqrt(((along * sd) ** 2).sum(axis=-1))
        time = tip["time"].values
        (line,) = axes.plot(time, speed, **how)
        axes.fill_between(time, np.maximum(speed - half, 0.0), speed + half,
                          color=line.get_color(), alpha=0.25, lw=0)  # fmt: skip
        axes.set_xlabel("time [s]")
        axes.set_ylabel("speed of the tip [m/s]")
        return axes

    def plot_shapes(
        self, times: Sequence[float] | Array | None = None, ax: Axes | None = None,
        plane: str = "xz", **how: Any,
    ) -> Axes:  # fmt: skip
        """The line's shape at times [s], seen along an axis of the lab; else at twelve moments.

        Raises
        ------
        ValueError : the plane is none of "xz", "xy", "yz".
        """
        if plane not in PLANES:
            raise ValueError(f"plane {plane!r}; use one of {', '.join(PLANES)}")
        axes = _axes(ax)
        across, up = PLANES[plane]
        whole = self.motion["time"].values
        wanted = np.linspace(whole[0], whole[-1], 12) if times is None else np.asarray(times)
        place = self.motion["position"].interp(time=wanted).values
        for k, when in enumerate(wanted):
            axes.plot(place[k, :, across], place[k, :, up], label=f"{when:.4g} s", **how)
        axes.set_aspect("equal")
        axes.set_xlabel(f"{plane[0]} [m]")
        axes.set_ylabel(f"{plane[1]} [m]")
        return axes

    def plot_map(self, name: str = "speed", ax: Axes | None = None, **how: Any) -> Axes:
        """A quantity over time [s] and station [m], in colours: speed, tension, curvature.

        Those of its standard deviation have the name with `_sd`: tension_sd, curvature_sd.

        Raises
        ------
        KeyError : the motion has no such quantity over time and station.
        """
        field = self.speed if name == "speed" else self.motion[name]
        if field.dims != ("time", "station"):
            raise KeyError(f"{name} is not over time and station")
        axes = _axes(ax)
        drawn = axes.pcolormesh(
            field["time"], field["station"], field.values.T, shading="nearest",
            **{"cmap": "cividis", **how},
        )  # fmt: skip
        axes.figure.colorbar(drawn, ax=axes, label=f"{name} [{field.attrs.get('units', '')}]")
        axes.set_xlabel("time [s]")
        axes.set_ylabel("station [m]")
        return axes


def _axes(ax: Axes | None) -> Axes:
    if ax is not None:
        return ax
    from matplotlib import pyplot

    return pyplot.subplots()[1]
