"""Draws the README's picture, `docs/demo.png`, from the demo's answers: `make picture`."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from lashwave.report import moments, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

HERE = Path(__file__).parent
BEFORE, AFTER = 0.12, 0.004
"""Of the drawn shapes, about the peak [s]."""
CLOSE = 2e-3
"""Of the drawn speed, either side of the peak [s]."""


def _shapes(axes: Axes, figure: Figure, motion: xr.Dataset, peak: float) -> None:
    """The line from the side, coloured by speed on a root scale.

    Its fastest point goes equally far from each shape to the next.
    """
    from matplotlib.collections import LineCollection
    from matplotlib.colors import PowerNorm

    speed = np.sqrt((motion.velocity**2).sum("axis"))
    window = (max(peak - BEFORE, float(motion.time[0])), min(peak + AFTER, float(motion.time[-1])))
    times = moments(motion.time.to_numpy(), speed.to_numpy(), window, 16)
    times = np.sort(np.append(times, peak))
    place = motion.position.interp(time=times).to_numpy()[..., [0, 2]]
    pieces = np.stack([place[:, :-1], place[:, 1:]], axis=2).reshape(-1, 2, 2)
    drawn = LineCollection(list(pieces), cmap=style.time_map(), norm=PowerNorm(0.5), linewidths=1.3)
    drawn.set_array(speed.interp(time=times).to_numpy()[:, 1:].ravel())
    axes.add_collection(drawn)
    axes.autoscale_view()
    axes.set_aspect("equal", adjustable="datalim")
    axes.set(xlabel="x [m]", ylabel="z [m]", title="the last 0.12 s before the crack")
    figure.colorbar(drawn, ax=axes, label="speed [m/s]", fraction=0.05, pad=0.02)


def _speed(axes: Axes, lists: xr.Dataset, answers: dict[str, dict[str, float]]) -> None:
    """The tip's speed with its 95 % interval, and when it passes the speed of sound."""
    peak = answers["peak_tip_speed_time"]["value"]
    near = lists.isel(time=np.abs(lists.time - peak) <= CLOSE)
    ms = 1e3 * (near.time.to_numpy() - peak)
    axes.fill_between(
        ms, near.tip_speed_low, near.tip_speed_high, color=style.BLUE, alpha=0.3, lw=0
    )
    axes.plot(ms, near.tip_speed, color=style.BLUE)
    sound = answers["speed_of_sound"]["value"]
    style.guide(axes, sound)
    # At the left the line is slow, so the name lies over no curve.
    axes.text(0.02, sound + 4, "speed of sound", transform=axes.get_yaxis_transform(), fontsize=7)
    axes.set(xlabel="time from peak [ms]", ylabel="speed of the tip [m/s]", xlim=(ms[0], ms[-1]))
    top, mach = answers["peak_tip_speed"], answers["peak_tip_mach"]
    said = f"{top['value']:.0f} ± {top['sd']:.0f} m/s, Mach {mach['value']:.2f}"
    axes.set_title(f"the crack: {said}")


@style.in_style
def picture(answers: Path) -> Figure:
    """Shapes of the line, and the speed of its tip, of one folder of answers."""
    summary = json.loads((answers / "summary.json").read_text(encoding="utf-8"))["quantities"]
    figure = style.canvas(height=2.9, width=7.2)
    left, right = figure.subplots(1, 2, width_ratios=[0.7, 1.0])
    with xr.open_dataset(answers / "motion.nc") as motion:
        _shapes(left, figure, motion, summary["peak_tip_speed_time"]["value"])
    with xr.open_dataset(answers / "answers.nc") as lists:
        _speed(right, lists, summary)
    return figure


def write(answers: Path, to: Path) -> None:
    """Draw, on white: the README is shown on dark pages too."""
    picture(answers).savefig(to, dpi=120, facecolor="white", metadata={"Software": None})


if __name__ == "__main__":
    write(Path(sys.argv[1] if len(sys.argv) > 1 else "out/demo.answers"), HERE / "demo.png")
