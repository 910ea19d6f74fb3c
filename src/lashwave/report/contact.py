"""Contact sheet: some images of each camera with what was found marked on them, to judge by eye."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from lashwave.quantities import Array, Image
from lashwave.report.export import figure_file

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
