"""Pictures of a line that was designed, of a set-up that is planned, of inputs that matter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from lashwave.quantities import Array, Mask
from lashwave.report.style import BLUE, FAINT, GREEN, INK, LINES, VERMILION, canvas, in_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@in_style
def taper(line: tuple[Array, Array], cone: tuple[Array, Array]) -> Figure:
    """The line's outline, drawn thick, beside a cone of the same mass.

    Each is stations [m] and diameters [m], (R,).
    """
    figure = canvas(2.2)
    axes = figure.subplots()
    station, half = line[0], 500.0 * line[1]
    axes.fill_between(station, -half, half, color=BLUE, alpha=0.35, lw=0)
    axes.plot(station, half, color=BLUE, label="designed")
    axes.plot(station, -half, color=BLUE)
    for sign in (1.0, -1.0):
        axes.plot(cone[0], sign * 500.0 * cone[1], "--", color=INK, lw=0.8,
                  label="cone of the same mass" if sign > 0 else None)  # fmt: skip
    axes.set_xlabel("station from the butt [m]")
    axes.set_ylabel("radius [mm]")
    widest = max(half.max(), 500.0 * cone[1].max())
    axes.set_ylim(bottom=-1.1 * widest, top=1.6 * widest)  # the legend lies above
    axes.legend(loc="upper right", ncols=2)
    return figure


@in_style
def search(speed: Array, good: Mask, limit: Mask, wanted: float | None) -> Figure:
    """Peak speed (M,) [m/s] of every throw of the search, and the best so far.

    good : (M,) throws that can be trusted; limit : (M,) of these, those that keep the limits.
    """
    figure = canvas(2.6)
    axes = figure.subplots()
    number = np.arange(1, speed.size + 1)
    kept = good & limit
    axes.plot(number[kept], speed[kept], ".", ms=3, color=BLUE, alpha=0.5, label="throws")
    axes.plot(number[good & ~limit], speed[good & ~limit], "x", ms=3, color=VERMILION,
              label="beyond a limit")  # fmt: skip
    if wanted is None:
        best = np.maximum.accumulate(np.where(kept, speed, 0.0))
        axes.plot(number[best > 0], best[best > 0], color=INK, lw=1.0, label="best so far")
    else:
        axes.axhline(wanted, color=FAINT, lw=0.9, ls="--", label="wanted")
    axes.set_xlabel("throw of the search")
    axes.set_ylabel("peak speed of the tip [m/s]")
    axes.legend(loc="lower right", ncols=3)
    return figure


@in_style
def spreads(speed: Array, cone: Array, unit: str = "peak speed of the tip [m/s]") -> Figure:
    """Peak speeds (D,) [m/s] of line and cone, by what is not known of cord and air."""
    figure = canvas(2.2)
    axes = figure.subplots()
    both = np.concatenate([speed, cone])
    bins = np.linspace(both.min(), both.max() + 1e-9, 28).tolist()
    axes.hist(cone, bins=bins, color=FAINT, alpha=0.7, label="cone of the same mass")
    axes.hist(speed, bins=bins, color=BLUE, alpha=0.7, label="designed")
    axes.set_xlabel(unit)
    axes.set_ylabel("throws")
    axes.legend()
    return figure


@in_style
def resolved(names: Sequence[str], sds: Mapping[str, Sequence[float]]) -> Figure:
    """Foretold standard deviations of answers by set-up, over those of the first.

    names : of the set-ups; sds : by answer, one a set-up.
    """
    figure = canvas(1.2 + 0.28 * len(sds))
    axes = figure.subplots()
    rows = np.arange(len(sds))
    for k, name in enumerate(names):
        ratio = [values[k] / values[0] for values in sds.values()]
        axes.plot(ratio, rows, "o", ms=5, color=LINES[k % len(LINES)], label=name, alpha=0.9)
    axes.set_yticks(rows, list(sds))
    axes.invert_yaxis()
    axes.set_xscale("log")
    axes.axvline(1.0, color=FAINT, lw=0.8)
    axes.xaxis.set_major_formatter("{x:g}")
    axes.xaxis.set_minor_formatter("{x:g}")
    axes.set_xlabel(f"standard deviation over that of {names[0]}")
    figure.legend(loc="outside right upper")
    return figure


@in_style
def powers(count: Array, effect: Array, unit: str) -> Figure:
    """Smallest difference between two lines (M,), in `unit`, over throws of each (M,) [no unit]."""
    figure = canvas(2.4)
    axes = figure.subplots()
    axes.loglog(count, effect, color=GREEN)
    axes.set_xlabel("throws of each line")
    axes.set_ylabel(f"smallest difference [{unit}]")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter("{x:g}")
        axis.set_minor_formatter(_two_and_five)
    return figure


def _two_and_five(value: float, _: float) -> str:
    """Of the marks within a decade only 2 and 5 are named: more would lie over one another."""
    return f"{value:g}" if f"{value:.0e}"[0] in "25" else ""


@in_style
def shares(outputs: Mapping[str, Sequence[tuple[str, float, float, float, float]]]) -> Figure:
    """Shares of variance by output, a panel each.

    outputs : of each input its name, share alone [1], half width, total share [1], half width.
    """
    names, most = list(outputs), max(map(len, outputs.values()))
    lines = -(-len(names) // 2)
    figure = canvas(lines * (0.75 + 0.17 * most))
    panels = figure.subplots(lines, 2, squeeze=False, sharex=True).ravel()
    for axes, name in zip(panels, names, strict=False):
        found = outputs[name]
        row = np.arange(len(found))
        alone, half, total, wide = (np.array([r[k] for r in found]) for k in range(1, 5))
        axes.errorbar(total, row - 0.16, xerr=wide, fmt="o", ms=4, mfc="none", color=VERMILION,
                      elinewidth=0.9, label="with all others")  # fmt: skip
        axes.errorbar(alone, row + 0.16, xerr=half, fmt="o", ms=4, color=BLUE, elinewidth=0.9,
                      label="alone")  # fmt: skip
        axes.set_yticks(row, [r[0] for r in found])
        axes.set_ylim(most - 0.5, -0.6)
        axes.set_title(name)
        axes.axvline(0.0, color=FAINT, lw=0.8)
    for axes in panels[len(names) :]:
        axes.set_axis_off()
    for axes in panels[max(len(names) - 2, 0) : len(names)]:
        axes.set_xlabel("share of the variance")
        axes.tick_params(labelbottom=True)
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles[::-1], labels[::-1], loc="outside upper right", ncols=2)
    return figure
