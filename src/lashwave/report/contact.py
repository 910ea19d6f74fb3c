"""Contact sheet: some images of each camera with what was found marked on them, to judge by eye."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from lashwave.quantities import Array, ClockHealth, Image, RingHealth
from lashwave.report.export import figure_file

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TIP, FRONT, DOT = "#d55e00", "#0072b2", "#009e73"
"""Colours that colour-blind readers can tell apart (Okabe and Ito 2008)."""
ACROSS = 4


@dataclass(frozen=True)
class Still:
    """One image and what was found in it."""

    title: str
    image: Image
    tip: Array | None = None
    """(2,) [px]"""
    fronts: Array = field(default_factory=lambda: np.empty((0, 2)))
    """(P, 2) [px]"""
    dots: Array = field(default_factory=lambda: np.empty((0, 2)))
    """(D, 2) [px]"""


def draw(path: Path, title: str, stills: Sequence[Still]) -> None:
    """Write the sheet as PNG; the file's place is the caller's to make safe."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows = max(1, -(-len(stills) // ACROSS))
    height, width = stills[0].image.shape if stills else (1, 1)
    figure = Figure(figsize=(3.4 * ACROSS, 0.6 + rows * (0.3 + 3.4 * height / width)))
    FigureCanvasAgg(figure)
    figure.suptitle(title, fontsize=11)
    for number, still in enumerate(stills):
        axes = figure.add_subplot(rows, ACROSS, number + 1)
        low, high = np.percentile(still.image, (0.5, 99.5))
        axes.imshow(still.image, cmap="gray", vmin=low, vmax=max(high, low + 1))
        axes.scatter(still.fronts[:, 0], still.fronts[:, 1], s=0.3, color=FRONT, linewidths=0)
        u, v = still.dots.T
        axes.scatter(u, v, s=60, facecolors="none", edgecolors=DOT, linewidths=0.8)
        if still.tip is not None:
            axes.scatter(still.tip[0], still.tip[1], s=120, marker="+", color=TIP, linewidths=1.2)
        axes.set_title(still.title, fontsize=8)
        axes.set_xlim(-0.5, width - 0.5), axes.set_ylim(height - 0.5, -0.5)
        axes.tick_params(labelsize=6)
        axes.set_xlabel("u [px]", fontsize=6)
        axes.set_ylabel("v [px]", fontsize=6)
    figure.tight_layout()
    path.write_bytes(figure_file(figure, "png", dpi=110))


MAGNIFIED = 0.12
"""Share of the view's width that an arrow of a pixel takes."""


def draw_health(
    path: Path,
    title: str,
    cameras: Sequence[RingHealth],
    clocks: Mapping[str, ClockHealth] = MappingProxyType({}),
) -> None:
    """Write the page of instruments as PNG: a row a camera, its misses over its view and in time.

    Below them a row a clock: each flash's miss from its marker sample, by the camera's name.
    The file's place is the caller's to make safe.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows = max(1, len(cameras) + len(clocks))
    figure = Figure(figsize=(10.0, 0.6 + 2.6 * rows))
    FigureCanvasAgg(figure)
    figure.suptitle(title, fontsize=11)
    for number, one in enumerate(cameras):
        _draw_view(figure.add_subplot(rows, 2, 2 * number + 1), one)
        _draw_time(figure.add_subplot(rows, 2, 2 * number + 2), one)
    for number, (name, clock) in enumerate(clocks.items(), len(cameras) + 1):
        _draw_clock(figure.add_subplot(rows, 1, number), name, clock)
    figure.tight_layout()
    path.write_bytes(figure_file(figure, "png", dpi=110))


def _draw_view(axes: Axes, one: RingHealth) -> None:
    rows, columns = one.count.shape
    axes.imshow(np.log10(one.count + 1.0), cmap="Greys", vmin=0.0, vmax=4.0)
    u, v = np.meshgrid(np.arange(columns), np.arange(rows))
    axes.quiver(u, v, one.by_place[..., 0], one.by_place[..., 1], color=TIP, angles="xy",
                scale_units="xy", scale=1.0 / (MAGNIFIED * columns), width=0.005)  # fmt: skip
    axes.set_title(f"{one.name}: RMS {one.rms:.2f} px; mean misses, a part is "
                   f"{1.0 / (columns * MAGNIFIED):.1f} px", fontsize=7)  # fmt: skip
    axes.set_xticks([]), axes.set_yticks([])


def _draw_time(axes: Axes, one: RingHealth) -> None:
    for k, (name, colour) in enumerate((("u", FRONT), ("v", DOT))):
        axes.plot(one.from_frame, one.by_time[:, k], "o-", ms=3, color=colour, label=name)
    axes.axhline(0.0, color="0.7", lw=0.6)
    axes.set_xlabel("image", fontsize=7), axes.set_ylabel("mean miss [px]", fontsize=7)
    axes.tick_params(labelsize=6)
    axes.legend(fontsize=6)


def _draw_clock(axes: Axes, name: str, clock: ClockHealth) -> None:
    """Each flash's miss, and beside it how far off its frames leave it open to be."""
    reach = 1e6 * (clock.bound + clock.sd)
    axes.errorbar(1e3 * clock.time, 1e6 * clock.off, reach, fmt="o", ms=3, lw=0.8, color=FRONT)
    axes.axhline(0.0, color="0.7", lw=0.6)
    axes.set_title(f"{name}: flashes less marker samples by the fitted clock; drift "
                   f"{1e6 * clock.drift:.2g} ± {1e6 * clock.drift_sd:.2g} parts in a million",
                   fontsize=7)  # fmt: skip
    axes.set_xlabel("lab time [ms]", fontsize=7), axes.set_ylabel("miss [us]", fontsize=7)
    axes.tick_params(labelsize=6)
