"""Maps over time and station: speed and curvature, with the sightings marked on them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashwave.answers import JUMP
from lashwave.report import style
from lashwave.report.figures_seen import spans
from lashwave.report.report_scene import Array, ReportScene

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ACROSS, UP = 640, 260
"""Pixels of a map."""


def image(
    time: Array, station: Array, values: Array, window: tuple[float, float]
) -> tuple[Array, Array]:
    """Values (K, S) on an even grid of pixels, (UP, ACROSS), and the pixels' times [s].

    Linear in time and station; a pixel that holds several times shows the largest of them, so
    that a peak shorter than a pixel is not lost.
    """
    edges = np.linspace(*window, ACROSS + 1)
    centre = 0.5 * (edges[1:] + edges[:-1])
    i = np.clip(np.searchsorted(time, centre, side="right") - 1, 0, time.size - 2)
    w = ((centre - time[i]) / (time[i + 1] - time[i]))[:, None]
    drawn = (1 - w) * values[i] + w * values[i + 1]
    inside = (time >= window[0]) & (time <= window[1])
    pixel = np.clip(np.searchsorted(edges, time[inside], side="right") - 1, 0, ACROSS - 1)
    np.fmax.at(drawn, pixel, values[inside])
    up = np.linspace(station[0], station[-1], UP)
    j = np.clip(np.searchsorted(station, up, side="right") - 1, 0, station.size - 2)
    x = (up - station[j]) / (station[j + 1] - station[j])
    return ((1 - x) * drawn[:, j] + x * drawn[:, j + 1]).T, centre


def _sightings(axes: Axes, scene: ReportScene, window: tuple[float, float]) -> None:
    """Runs of marker samples as thin lines, camera points as dots."""
    from matplotlib.collections import LineCollection

    markers = scene.trial.markers
    seen = np.isfinite(markers.position[..., 0])
    inside = (markers.time >= window[0]) & (markers.time <= window[1])
    few = int(inside.sum()) <= 60
    for i in np.flatnonzero(~markers.on_handle):
        station = float(markers.station[i])
        if few:
            t = markers.time[inside & seen[:, i]]
            axes.plot(t, np.full(t.size, station), ".", color="white", markersize=2.2, mew=0)
        else:
            lines = [[(a, station), (b, station)] for a, b in spans(markers.time, seen[:, i])]
            axes.add_collection(LineCollection(lines, colors="white", linewidths=0.5, alpha=0.75))
    for camera in scene.cameras:
        axes.plot(
            camera.time,
            camera.station,
            "|",
            color=style.ORANGE,
            markersize=5,
            markeredgewidth=0.5,
            rasterized=camera.time.size > 1500,
        )


def _bend(axes: Axes, scene: ReportScene) -> None:
    """The bend that runs along the line; lifted where it jumps to another."""
    if "bend_station" not in scene.curves:
        return
    time, station = scene.curves["bend_station"]
    length = float(scene.fit.station[-1])
    apart = np.abs(np.diff(station, prepend=station[0])) > JUMP * length
    station = np.where(apart, np.nan, station)
    style.halo(axes.plot(time, station, color="white", linewidth=0.9)[0], 1.9)


def _sonic(axes: Axes, scene: ReportScene, drawn: Array, centre: Array) -> None:
    """Where the line moves at the speed of sound."""
    if scene.sound is None or not np.nanmax(drawn) > scene.sound > np.nanmin(drawn):
        return
    up = np.linspace(scene.fit.station[0], scene.fit.station[-1], UP)
    axes.contour(centre, up, drawn, levels=[scene.sound], colors=[style.VERMILION], linewidths=0.9)


@style.in_style
def maps(scene: ReportScene) -> Figure:
    """Speed (above) and curvature (below) over time and station; right, close to the peak."""
    from matplotlib.colors import LogNorm, PowerNorm

    fit = scene.fit
    top = float(np.nanmax(fit.curvature))
    bend = np.maximum(np.nan_to_num(fit.curvature), max(1e-3 * top, 1e-6))
    rows = [
        (
            "speed [m/s]",
            scene.speed,
            PowerNorm(0.5, 0.0, float(scene.speed.max())),
            style.SPEED_MAP,
        ),
        (
            "curvature [1/m]",
            bend,
            LogNorm(max(0.5, 1e-3 * top), max(top, 1.0)),
            style.CURVATURE_MAP,
        ),
    ]
    windows = scene.windows
    figure = style.canvas(height=4.7)
    panels = figure.subplots(2, len(windows), sharey=True, squeeze=False, sharex="col")
    for line, (name, values, norm, colours) in enumerate(rows):
        for axes, window in zip(panels[line], windows, strict=True):
            drawn, centre = image(fit.time, fit.station, values, window)
            shown = axes.imshow(
                drawn,
                origin="lower",
                aspect="auto",
                extent=(*window, float(fit.station[0]), float(fit.station[-1])),
                norm=norm,
                cmap=colours,
                interpolation="none",
            )
            _sightings(axes, scene, window)
            _bend(axes, scene)
            if line == 0:
                _sonic(axes, scene, drawn, centre)
            axes.set_xlim(*window)
            axes.set_ylim(float(fit.station[0]), float(fit.station[-1]))
        panels[line][0].set_ylabel("station [m]")
        bar = figure.colorbar(shown, ax=list(panels[line]), label=name, fraction=0.03, pad=0.01)
        bar.ax.yaxis.set_major_formatter("{x:g}")
        bar.ax.yaxis.set_minor_formatter("")
    for axes in panels[-1]:
        axes.set_xlabel("time on the lab clock [s]")
    panels[0][0].set_title("whole record")
    if len(windows) > 1:
        panels[0][1].set_title("close to the peak of the tip speed")
    return figure
