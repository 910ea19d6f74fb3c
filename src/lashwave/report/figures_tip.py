"""The tip's speed with its 95 % band, and what the hand and the line did meanwhile."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashwave.answers import past_clamp
from lashwave.quantities import Answer, band as band_of
from lashwave.report import style
from lashwave.report.report_scene import Array, ReportScene

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

TRACKS = (
    ("hand_force", "hand's force [N]"),
    ("hand_power", "hand's power [W]"),
    ("hand_work", "hand's work [J]"),
    ("kinetic_energy", "kinetic energy [J]"),
    ("bend_speed", "bend along the line [m/s]"),
)
"""Lists over time that have a panel of their own where they are given."""


def band(axes: Axes, time: Array, value: Array, low: Array, high: Array, colour: str) -> None:
    """A curve (Q,) over time [s] and the band that holds it with 95 %, in the unit of the axes."""
    axes.fill_between(time, low, high, color=colour, alpha=0.28, linewidth=0, label="95 % interval")
    axes.plot(time, value, color=colour, linewidth=1.1, label="estimate")


def _peak(axes: Axes, answers: dict[str, Answer]) -> None:
    """The peak, with the 95 % intervals of its height and moment."""
    height, moment = answers.get("peak_tip_speed"), answers.get("peak_tip_speed_time")
    if height is None or moment is None or height.value is None or moment.value is None:
        return
    sides = []
    for answer in (moment, height):
        low = answer.value if answer.low95 is None else answer.low95
        high = answer.value if answer.high95 is None else answer.high95
        value = answer.value or 0.0
        sides.append([[max(value - (low or 0.0), 0.0)], [max((high or 0.0) - value, 0.0)]])
    axes.errorbar(
        [moment.value],
        [height.value],
        xerr=np.array(sides[0]),
        yerr=np.array(sides[1]),
        fmt="o",
        color=style.VERMILION,
        markersize=3,
        linewidth=1.0,
        capsize=2.5,
        label="peak, 95 % intervals",
    )


def _in_view(axes: Axes, scene: ReportScene) -> None:
    """Ticks along the foot: frames in which a camera had a point of the line."""
    for i, camera in enumerate(scene.cameras):
        axes.plot(
            camera.time,
            np.full(camera.time.size, 0.015 + 0.03 * i),
            "|",
            color=(style.ORANGE, style.PURPLE, style.GREEN)[i % 3],
            markersize=5,
            markeredgewidth=0.5,
            transform=axes.get_xaxis_transform(),
            label=f"frames of {style.plain(camera.name)}",
            rasterized=camera.time.size > 1500,
        )


@style.in_style
def tip_speed(scene: ReportScene, answers: dict[str, Answer]) -> Figure:
    """Speed of the tip over time; its Mach number on the right-hand axis."""
    windows = scene.windows
    figure = style.canvas(height=2.9)
    panels = figure.subplots(
        1, len(windows), sharey=True, squeeze=False, width_ratios=[1, 1.3][: len(windows)]
    )[0]
    peak = answers.get("peak_tip_speed")
    highest = 0.0 if peak is None or peak.high95 is None else peak.high95
    top = 1.08 * max(float(np.nanmax(scene.tip_high)), highest)
    for axes, window in zip(panels, windows, strict=True):
        band(axes, scene.tip_time, scene.tip_speed, scene.tip_low, scene.tip_high, style.BLUE)
        _peak(axes, answers)
        _in_view(axes, scene)
        if scene.sound is not None and scene.sound < 1.3 * top:
            last = axes is panels[-1]
            style.guide(axes, scene.sound, "speed of sound" if last else "")
            top = max(top, 1.08 * scene.sound)
        axes.set_xlim(*window)
        axes.set_xlabel("time on the lab clock [s]")
    panels[0].set_ylim(0.0, max(top, 1e-9))
    panels[0].set_ylabel("tip speed [m/s]")
    panels[0].set_title("whole record")
    if len(windows) > 1:
        panels[1].set_title("close to the peak")
    if scene.sound is not None:
        sound = scene.sound
        right = panels[-1].secondary_yaxis(
            "right", functions=(lambda v: v / sound, lambda m: m * sound)
        )
        right.set_ylabel("Mach number")
    handles, names = panels[-1].get_legend_handles_labels()
    figure.legend(handles, names, loc="outside lower center", ncols=min(4, len(names)))
    return figure


def _grip_tension(scene: ReportScene) -> tuple[Array, Array, Array] | None:
    """The pull as `peak_pull_past_clamp` is read off it: median and central 95 % of the draws."""
    pull = past_clamp(scene.fit.draws, scene.trial.line.handle_length)
    if not np.isfinite(pull).any():
        return None
    low, middle, high = band_of(pull)
    return middle, low, high


def _middle(value: Array) -> tuple[float, float]:
    """Limits that hold all but the outermost hundredths, with room about them."""
    low, high = np.nanquantile(value, [0.02, 0.98])
    room = 0.25 * max(high - low, 1e-9)
    return float(low - room), float(high + room)


@style.in_style
def hand(scene: ReportScene) -> Figure | None:
    """Pull behind the grip, the hand's force and power, energies: what is given of them."""
    pull = _grip_tension(scene)
    tracks = [(name, label) for name, label in TRACKS if name in scene.curves]
    count = len(tracks) + (pull is not None)
    if count == 0:
        return None
    rows = (count + 1) // 2
    figure = style.canvas(height=0.5 + 1.45 * rows)
    panels = list(figure.subplots(rows, 2, sharex=True, squeeze=False).ravel())
    if pull is not None:
        axes = panels.pop(0)
        band(axes, scene.fit.draws.time, *pull, style.GREEN)
        axes.set_ylabel("pull past the clamp [N]")
    for (name, label), axes in zip(tracks, list(panels), strict=False):
        panels.remove(axes)
        time, value = scene.curves[name]
        low, high = (
            scene.curves.get(f"{name}_{side}", (time, value))[1] for side in ("low", "high")
        )
        band(axes, time, value, low, high, style.BLUE)
        axes.set_ylabel(label)
        if name == "bend_speed" and np.isfinite(value).any():
            # A bend that jumps has a speed that means nothing; do not let it hide the rest.
            axes.set_ylim(*_middle(value))
    for axes in panels:
        axes.set_visible(False)
    for axes in figure.axes:
        axes.axvline(scene.peak_time, color=style.FAINT, linewidth=0.8, linestyle=":")
        axes.set_xlim(*scene.record)
    for axes in figure.axes[max(0, count - 2) : count]:
        axes.set_xlabel("time on the lab clock [s]")
        axes.tick_params(labelbottom=True)
    return figure
