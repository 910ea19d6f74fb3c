"""Maps over time and station: speed and curvature, with the sightings marked on them.

The line's shapes through the throw, seen along the three axes of the lab.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashwave.answers import JUMP
from lashwave.quantities import interpolate
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


VIEWS = ((0, 2, "x [m]", "z [m]"), (1, 2, "y [m]", "z [m]"), (0, 1, "x [m]", "y [m]"))


def moments(time: Array, speed: Array, window: tuple[float, float], count: int) -> Array:
    """(count,) [s]: times at which the fastest point has gone equally far since the last one.

    speed (K, S) [m/s]; so fast parts get more shapes than slow ones.
    """
    inside = time[(time > window[0]) & (time < window[1])]
    grid = np.concatenate([[window[0]], inside, [window[1]]])
    fastest = np.interp(grid, time, speed.max(axis=1))
    gone = np.concatenate([[0.0], np.cumsum(0.5 * (fastest[1:] + fastest[:-1]) * np.diff(grid))])
    # A small share of plain time, so that a line at rest is drawn as well.
    gone += 0.1 * gone[-1] * (grid - grid[0]) / max(grid[-1] - grid[0], 1e-12) + 1e-12 * grid
    return np.asarray(np.interp(np.linspace(gone[0], gone[-1], count), gone, grid))


@style.in_style
def shapes(scene: ReportScene, window: tuple[float, float], count: int = 18) -> Figure:
    """Shapes of the line within `window` [s], coloured by time; one scale in all three views."""
    from matplotlib.collections import LineCollection
    from matplotlib.colors import Normalize

    fit = scene.fit
    times = moments(fit.time, scene.speed, window, count)
    place, _ = interpolate(fit.time, fit.position, fit.velocity, times)
    close = window != scene.record
    shade = 1e3 * (times - scene.peak_time) if close else times
    norm = Normalize(float(shade[0]), float(shade[-1]))
    extent = np.ptp(place, axis=(0, 1))
    extent = np.maximum(extent, 0.3 * extent.max())
    widths = [extent[a] for a, *_ in VIEWS]
    tallest = max(extent[2], extent[1])
    figure = style.canvas(height=float(np.clip(6.0 * tallest / sum(widths) + 0.8, 2.2, 4.6)))
    panels = figure.subplots(1, 3, width_ratios=widths)
    for axes, (a, b, across, up) in zip(panels, VIEWS, strict=True):
        lines = LineCollection(
            list(place[:, :, [a, b]]), cmap=style.time_map(), norm=norm, linewidths=1.0
        )
        lines.set_array(shade)
        axes.add_collection(lines)
        axes.plot(place[:, 0, a], place[:, 0, b], ".", color=style.INK, markersize=2)
        centre = 0.5 * (place[..., a].max() + place[..., a].min())
        axes.set_xlim(centre - 0.54 * extent[a], centre + 0.54 * extent[a])
        axes.autoscale_view(scalex=False)
        axes.set_aspect("equal", adjustable="datalim")
        axes.set_xlabel(across)
        axes.set_ylabel(up)
        axes.locator_params(axis="x", nbins=5 if extent[a] > 0.6 * extent.max() else 1)
        axes.locator_params(axis="y", nbins=4)
    label = "time from peak [ms]" if close else "time [s]"
    figure.colorbar(lines, ax=list(panels), label=label, fraction=0.03, pad=0.01, aspect=28)
    return figure
