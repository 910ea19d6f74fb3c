"""Figures of predictions from the hand, and of models compared."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashwave.quantities import Array, band
from lashwave.report.style import BLUE, FAINT, INK, SKY, VERMILION, canvas, in_style, plain

if TYPE_CHECKING:
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
