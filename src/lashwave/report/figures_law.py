"""The collapse of throws on a design law's equation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lashwave.quantities import Array
from lashwave.report.style import BLUE, INK, VERMILION, canvas, in_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure


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
