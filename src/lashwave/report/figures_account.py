"""The account of energy over time, and what passes each station."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashwave.report import style
from lashwave.report.figures_maps import image
from lashwave.report.report_scene import Array, ReportScene

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PILE = (
    ("kinetic_energy", "kinetic", style.BLUE, ""),
    ("potential_energy", "gravity", style.SKY, ""),
    ("bending_energy", "bending", style.GREEN, ""),
    ("drag_loss", "drag", style.VERMILION, "////"),
    ("tuft_loss", "tuft", style.ORANGE, "////"),
    ("damping_loss", "damping", style.PURPLE, "////"),
    ("unexplained_work", "unexplained", style.FAINT, "...."),
)
"""Variable, name, colour, and a hatch that tells lost from stored without colour."""


@style.in_style
def account(lists: xr.Dataset, peak_time: float) -> Figure | None:
    """Stored, lost and unexplained energy stacked over time, and drag by station."""
    known = [part for part in PILE if part[0] in lists and part[0] != "tuft_loss"]
    if "tuft_loss" in lists and float(np.nanmax(np.abs(lists["tuft_loss"].values))) > 0.0:
        known = [part for part in PILE if part[0] in lists]
    if "drag_loss" not in lists:
        return None
    figure = style.canvas(height=3.3)
    left, right = figure.subplots(1, 2, width_ratios=[2.4, 1.0])
    time = lists["time"].values
    _pile(left, lists, known)
    if "hand_work" in lists:
        low, high = (lists[f"hand_work_{side}"].values for side in ("low", "high"))
        left.fill_between(time, low, high, color=style.INK, alpha=0.18, linewidth=0)
        left.plot(time, lists["hand_work"].values, color=style.INK, linewidth=1.2, label="hand")
    left.axvline(peak_time, color=style.FAINT, linewidth=0.8, linestyle=":")
    left.axhline(0.0, color=style.INK, linewidth=0.6)
    left.set_xlim(float(time[0]), float(time[-1]))
    left.set_xlabel("time on the lab clock [s]")
    left.set_ylabel("energy since the first sample [J]")
    station = lists["station"].values
    value, low, high = (lists["drag_loss_by_station" + end].values for end in ("", "_low", "_high"))
    right.fill_between(station, low, high, color=style.VERMILION, alpha=0.25, linewidth=0)
    right.plot(station, value, color=style.VERMILION)
    right.set_ylim(bottom=0.0)
    right.set_xlabel("station [m]")
    right.set_ylabel("lost to the air [J/m]")
    handles, names = left.get_legend_handles_labels()
    figure.legend(handles, names, loc="outside lower center", ncols=len(names))
    return figure


def _pile(axes: Axes, lists: xr.Dataset, known: list[tuple[str, str, str, str]]) -> None:
    """Layers on each other: what is positive upward from zero, what is negative downward."""
    time = lists["time"].values
    up, down = np.zeros(time.size), np.zeros(time.size)
    for name, label, colour, hatch in known:
        value = np.nan_to_num(lists[name].values)
        if name in ("kinetic_energy", "bending_energy"):
            value = value - value[0]
        top, foot = up + np.maximum(value, 0.0), down + np.minimum(value, 0.0)
        for a, b, said in ((up, top, label), (foot, down, None)):
            axes.fill_between(
                time, a, b, facecolor=colour, alpha=0.75, label=said, hatch=hatch,
                edgecolor="white", linewidth=0.0,
            )  # fmt: skip
        up, down = top, foot


@style.in_style
def fluxes(scene: ReportScene, lists: xr.Dataset) -> Figure | None:
    """Energy and momentum that pass each station a second, whole record and close-up."""
    from matplotlib.colors import PowerNorm, SymLogNorm

    if "energy_flux" not in lists:
        return None
    time, station = lists["time"].values, lists["flux_station"].values
    power = lists["energy_flux"].values
    force = np.linalg.norm(lists["momentum_flux"].values, axis=-1)
    top = max(float(np.nanmax(np.abs(power))), 1e-9)
    rows = (
        ("energy flux [W]", power, SymLogNorm(3e-3 * top, vmin=-top, vmax=top), "PuOr_r"),
        ("momentum flux [N]", force, PowerNorm(0.4, 0.0, float(np.nanmax(force))), style.SPEED_MAP),
    )
    windows = scene.windows
    figure = style.canvas(height=4.7)
    panels = figure.subplots(2, len(windows), sharey=True, squeeze=False, sharex="col")
    for line, (name, values, norm, colours) in enumerate(rows):
        for axes, window in zip(panels[line], windows, strict=True):
            shown = axes.imshow(
                _drawn(time, station, values, window),
                origin="lower", aspect="auto", norm=norm, cmap=colours, interpolation="none",
                extent=(*window, float(station[0]), float(station[-1])),
            )  # fmt: skip
            axes.set_xlim(*window)
        panels[line][0].set_ylabel("station [m]")
        bar = figure.colorbar(shown, ax=list(panels[line]), label=name, fraction=0.03, pad=0.01)
        bar.ax.yaxis.set_major_formatter("{x:g}")
        if line == 0:  # symlog's own marks next to nought lie over one another
            decade = 10.0 ** np.floor(np.log10(top))
            bar.set_ticks([-decade, -0.1 * decade, 0.0, 0.1 * decade, decade])
    for axes in panels[-1]:
        axes.set_xlabel("time on the lab clock [s]")
    panels[0][0].set_title("whole record")
    if len(windows) > 1:
        panels[0][1].set_title("close to the peak of the tip speed")
    return figure


def _drawn(time: Array, station: Array, values: Array, window: tuple[float, float]) -> Array:
    """Pixels of a map of either sign; of several times in one, that furthest from 0 is shown."""
    high = image(time, station, values, window)[0]
    low = -image(time, station, -values, window)[0]
    return np.where(np.abs(low) > np.abs(high), low, high)
