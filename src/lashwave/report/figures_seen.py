"""What was measured and when: every sighting by time and place on the line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashwave.quantities import DISTRUSTED
from lashwave.report import style
from lashwave.report.report_scene import Array, ReportScene

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def spans(time: Array, seen: Array) -> Array:
    """(N, 2) [s]: first and last time of each unbroken run of sightings, half a sample wider."""
    padded = np.concatenate([[False], np.asarray(seen, dtype=bool), [False]])
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    half = 0.5 * float(np.median(np.diff(time))) if time.size > 1 else 0.0
    return np.stack([time[edges[0::2]] - half, time[edges[1::2] - 1] + half], axis=-1)


def marker_rows(scene: ReportScene) -> tuple[Array, list[str]]:
    """(L,) [m] where each marker is drawn, and its name: those on the grip stand below the butt."""
    markers = scene.trial.markers
    row = markers.station.copy()
    grip = np.flatnonzero(markers.on_handle)
    row[grip] = -0.05 * scene.trial.line.length * (1 + np.arange(grip.size))
    return row, [style.plain(label, 14) for label in markers.labels]


def _markers(axes: Axes, scene: ReportScene) -> None:
    markers = scene.trial.markers
    seen = np.isfinite(markers.position[..., 0])
    row, _ = marker_rows(scene)
    lines = [
        [(a, row[i]), (b, row[i])]
        for i in range(row.size)
        for a, b in spans(markers.time, seen[:, i])
    ]
    from matplotlib.collections import LineCollection

    axes.hlines(row, *scene.record, color=style.FAINT, linewidth=0.4, alpha=0.6)
    axes.add_collection(
        LineCollection(lines, colors=style.BLUE, linewidths=2.4, capstyle="butt", label="marker")
    )
    weight = scene.fit.residuals.marker_weight
    t, i = np.nonzero(np.nan_to_num(weight, nan=1.0) < DISTRUSTED)
    if t.size:
        axes.plot(
            markers.time[t],
            row[i],
            "x",
            color=style.VERMILION,
            markersize=3.5,
            label="marker, distrusted",
            rasterized=t.size > 2000,
        )


def _cameras(axes: Axes, scene: ReportScene) -> None:
    for i, camera in enumerate(scene.cameras):
        colour = (style.ORANGE, style.PURPLE, style.GREEN)[i % 3]
        axes.plot(
            camera.time,
            camera.station,
            "|",
            color=colour,
            markersize=7,
            markeredgewidth=0.6,
            label=f"camera {style.plain(camera.name)}",
            rasterized=camera.time.size > 1500,
        )
        if camera.flashes.size:
            top = scene.trial.line.length * (1.05 + 0.03 * i)
            axes.plot(
                camera.flashes,
                np.full(camera.flashes.size, top),
                ".",
                color=colour,
                markersize=2,
                label=f"strobe seen by {style.plain(camera.name)}",
                rasterized=camera.flashes.size > 1500,
            )


@style.in_style
def coverage(scene: ReportScene) -> Figure:
    """Sightings over time (across) and station (up), the whole record and close to the peak."""
    windows = scene.windows
    row, labels = marker_rows(scene)
    figure = style.canvas(height=1.6 + 0.11 * min(max(len(labels), 10), 24))
    panels = figure.subplots(
        1, len(windows), sharey=True, squeeze=False, width_ratios=[1.5, 1][: len(windows)]
    )[0]
    for axes, (first, last) in zip(panels, windows, strict=True):
        _markers(axes, scene)
        _cameras(axes, scene)
        axes.axvline(scene.peak_time, color=style.FAINT, linewidth=0.8, linestyle=":")
        axes.set_xlim(first, last)
        axes.set_xlabel("time on the lab clock [s]")
    panels[0].set_ylabel("station [m]")
    panels[0].set_title("whole record")
    if len(windows) > 1:
        panels[1].set_title("close to the peak of the tip speed")
    if len(labels) <= 24:
        right = panels[-1].secondary_yaxis("right")
        right.set_yticks(row, labels, fontsize=6.0)
        right.tick_params(length=0)
        right.spines["right"].set_visible(False)
    handles, names = panels[0].get_legend_handles_labels()
    figure.legend(handles, names, loc="outside lower center", ncols=min(4, max(1, len(names))))
    return figure
