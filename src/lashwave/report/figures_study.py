"""Figures over more than one trial: profiles of the law's scales, answers side by side.

Also predictions from the hand, models compared, and throws on a design law's equation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lashwave.quantities import Array, band
from lashwave.report import numbers, style
from lashwave.report.style import BLUE, FAINT, INK, SKY, VERMILION, canvas, in_style, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@in_style
def prediction(
    time: Array, distance: Array, spread: Array, tip: Array, tip_draws: Array, tip_seen: Array
) -> Figure:
    """Distance to the markers over time beside the ensemble's spread, and the tip's speed.

    time (T,) [s]; distance, spread (T,) [m]; tip, tip_seen (T,), tip_draws (D, T) [m/s].
    """
    figure = canvas(4.6)
    up, down = figure.subplots(2, 1, sharex=True)
    up.semilogy(time, 1e3 * distance, color=VERMILION, label="prediction less markers, RMS")
    up.semilogy(time[1:], 1e3 * spread[1:], color=BLUE, label="spread of the ensemble (sd)")
    up.yaxis.set_major_formatter("{x:g}")
    up.set_ylabel("distance [mm]")
    up.legend(loc="upper left")
    low, _, high = band(tip_draws)
    down.fill_between(time, low, high, color=SKY, alpha=0.45, lw=0, label="ensemble, 95 %")
    down.plot(time, tip, color=BLUE, label="predicted from the hand")
    down.plot(time, tip_seen, color=INK, lw=0.9, ls=(0, (4, 2)), label="reconstructed")
    down.set_xlabel("time [s]")
    down.set_ylabel("speed of the tip [m/s]")
    down.legend(loc="upper left")
    return figure


@in_style
def residual_map(time: Array, station: Array, distance: Array) -> Figure:
    """Distance (T, L) [m] of prediction and sample over time (T,) and station (L,); gaps white."""
    from matplotlib.colors import LogNorm

    figure = canvas(2.6)
    axes = figure.subplots()
    order = np.argsort(station)
    norm = LogNorm(0.3, max(10.0, float(np.nanmax(1e3 * distance))))
    shown = axes.pcolormesh(
        time, station[order], 1e3 * distance[:, order].T, shading="nearest", norm=norm,
        cmap="cividis", rasterized=True,
    )  # fmt: skip
    figure.colorbar(shown, ax=axes, label="distance [mm]", format="{x:g}")
    axes.set_xlabel("time [s]")
    axes.set_ylabel("station [m]")
    return figure


@in_style
def ranks(names: list[str], log_ratio: Array, error: Array) -> Figure:
    """Log ratio (M,) [1] of each model's forecast errors to the whole model's, and two s.e."""
    figure = canvas(0.9 + 0.32 * len(names))
    axes = figure.subplots()
    row = np.arange(len(names))[::-1]
    axes.axvline(0.0, color=FAINT, lw=0.9, ls=(0, (4, 2)))
    axes.errorbar(log_ratio, row, xerr=2 * error, fmt="none", ecolor=BLUE, elinewidth=0.9)
    axes.errorbar(log_ratio, row, xerr=error, fmt="o", color=BLUE, ms=4, elinewidth=2.4)
    axes.set_yticks(row, [plain(n) for n in names])
    axes.set_ylim(-0.7, len(names) - 0.3)
    axes.set_xlabel("log of forecast error over that of the whole model (bars: 1 and 2 s.e.)")
    return figure


@in_style
def fall(time: Array, height: Array, curves: dict[str, Array]) -> Figure:
    """Samples (T,) of a falling chain's free end and the models fitted to them (T,) [m]."""
    figure = canvas(4.2)
    up, down = figure.subplots(2, 1, sharex=True)
    up.plot(time, height, ".", color=FAINT, ms=2, label="seen")
    for (name, model), colour in zip(curves.items(), (BLUE, VERMILION), strict=False):
        up.plot(time, model, color=colour, label=name)
        down.plot(time, 1e3 * (height - model), color=colour, lw=0.8)
    up.set_ylabel("height [m]")
    up.legend(loc="lower left")
    down.set_ylabel("seen less model [mm]")
    down.set_xlabel("time [s]")
    return figure


TOP = 9.0
"""Highest rise of -2 log likelihood that is drawn: three standard deviations."""
RISE95 = 3.84
MOST_TRIALS = 30
"""Trials that are named along an axis; of more, their numbers."""


@dataclass(frozen=True)
class Curve:
    """One scale's profiles; rises of -2 log likelihood over the least."""

    title: str
    scale: Array
    """(Q,) fitted over stated"""
    data: Array
    """(Q,) of the sightings alone"""
    posterior: Array
    """(Q,) with the chain's own error and what was known before"""
    low95: float
    high95: float
    truth: float | None = None


@dataclass(frozen=True)
class Strip:
    """One quantity over the trials."""

    title: str
    unit: str
    values: Sequence[float | None]
    sds: Sequence[float | None]
    groups: Sequence[str]
    """The specimen of each trial, or "" where none is named."""


def _grid(count: int, columns: int, height: float) -> tuple[Figure, list[Axes]]:
    rows = max(1, -(-count // columns))
    figure = style.canvas(height * rows)
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    for spare in axes[count:]:
        spare.set_axis_off()
    return figure, list(axes[:count])


@style.in_style
def profiles(curves: Sequence[Curve]) -> Figure:
    """Profile likelihoods, a panel a scale."""
    figure, panels = _grid(len(curves), 3, 2.0)
    for axes, curve in zip(panels, curves, strict=True):
        axes.axvspan(curve.low95, curve.high95, color=style.SKY, alpha=0.25, linewidth=0)
        axes.plot(curve.scale, curve.data, color=style.VERMILION, linestyle=(0, (4, 2)),
                  label="sightings alone")  # fmt: skip
        axes.plot(curve.scale, curve.posterior, color=style.BLUE, label="all that is known")
        if curve.truth is not None:
            axes.plot([curve.truth], [0.0], marker="^", color=style.INK, clip_on=False, zorder=5,
                      linestyle="none", markersize=5, label="truth")  # fmt: skip
        style.guide(axes, RISE95, "95 %")
        axes.set_ylim(0.0, TOP)
        axes.set_xlim(float(curve.scale[0]), float(curve.scale[-1]))
        axes.set_title(curve.title)
        axes.set_xlabel("fitted over stated")
    for axes in panels[::3]:
        axes.set_ylabel("rise of −2 log likelihood")
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper right", ncols=len(labels))
    return figure


@style.in_style
def strips(rows: Sequence[Strip], trials: Sequence[str]) -> Figure:
    """Answers side by side: a panel a quantity, a column a trial, a colour a specimen."""
    groups = list(dict.fromkeys(group for row in rows for group in row.groups))
    colour = {group: style.LINES[i % len(style.LINES)] for i, group in enumerate(groups)}
    mark = {group: "osD^v<>p"[i // len(style.LINES) % 8] for i, group in enumerate(groups)}
    figure, panels = _grid(len(rows), 2, 1.55 if len(trials) <= 12 else 1.8)
    if not rows:
        figure.text(0.5, 0.5, "no trial has an answer", ha="center")
    for axes, row in zip(panels, rows, strict=True):
        _strip(axes, row, colour, mark)
        axes.set_title(row.title)
        axes.set_ylabel(numbers.unit(row.unit) or "ratio")
        axes.set_xlim(-0.6, len(trials) - 0.4)
        named = len(trials) <= MOST_TRIALS
        places = list(range(len(trials)))[:: 1 if named else max(1, len(trials) // 10)]
        axes.set_xticks(places, [str(i + 1) for i in places])
    for axes in panels[-2:]:
        axes.set_xlabel("trial, numbered as in the table")
    if len(groups) > 1:
        handles = [_dot(colour[g], mark[g], style.plain(g) or "no specimen named") for g in groups]
        figure.legend(handles=handles, loc="outside upper center", ncols=min(len(groups), 5))
    return figure


def _dot(colour: str, mark: str, label: str) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([], [], color=colour, marker=mark, linestyle="none", markersize=4, label=label)


def _strip(axes: Axes, row: Strip, colour: dict[str, str], mark: dict[str, str]) -> None:
    known = [v for v in row.values if v is not None]
    none = [i for i, value in enumerate(row.values) if value is None]
    if none:  # unclipped, an empty line would count as a mark in the figure's corner
        axes.plot(none, [0.03] * len(none), marker="x", color=style.FAINT, linestyle="none",
                  markersize=4, transform=axes.get_xaxis_transform(), clip_on=False)  # fmt: skip
    # A call for each specimen, not each throw: hundreds of throws would take a minute to draw.
    for group in dict.fromkeys(row.groups):
        points = [
            (i, value, 1.96 * (sd or 0.0))
            for i, (value, sd, own) in enumerate(zip(row.values, row.sds, row.groups, strict=True))
            if own == group and value is not None
        ]
        if points:
            at, values, half = zip(*points, strict=True)
            axes.errorbar(at, values, yerr=half, color=colour[group], fmt=mark[group],
                          markersize=3.5, elinewidth=0.9, capsize=0)  # fmt: skip
    if known:
        style.guide(axes, float(np.mean(known)))
    else:
        axes.set_yticks([])


@in_style
def collapse(equation: Array, speed: Array, measured: tuple[Array, Array] | None = None) -> Figure:
    """Peak speeds of throws (M,) [m/s] over what the equation says (M,) [m/s].

    measured : the same two of measured throws (K,), laid over.
    """
    figure = canvas(3.6)
    axes = figure.subplots()
    axes.loglog(equation, speed, ".", ms=2, color=BLUE, alpha=0.4, label="forward engine")
    ends = np.array([min(equation.min(), speed.min()), max(equation.max(), speed.max())])
    axes.loglog(ends, ends, color=INK, lw=0.8, label="equation")
    if measured is not None:
        axes.loglog(*measured, "D", ms=5, color=VERMILION, label="measured")
    axes.set_xlabel("peak speed of the tip by the equation [m/s]")
    axes.set_ylabel("peak speed of the tip [m/s]")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter("{x:g}")
    axes.legend(loc="upper left")
    return figure
