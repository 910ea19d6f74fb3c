"""The line's shapes through the throw, seen along the three axes of the lab."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashwave.quantities import interpolate
from lashwave.report import style
from lashwave.report.report_scene import Array, ReportScene

if TYPE_CHECKING:
    from matplotlib.figure import Figure

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
