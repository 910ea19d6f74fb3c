"""How every figure looks, and how it gets into a page.

Lines take the colours of Okabe and Ito (Color Universal Design, 2008), maps `viridis` and
`cividis` (Nuñez, Anderton and Renslow, PLoS ONE 13 (2018) e0199239): both can be told apart with
any of the common kinds of colour blindness, and in grey.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure

P = ParamSpec("P")
R = TypeVar("R")

BLUE, VERMILION, GREEN = "#0072B2", "#D55E00", "#009E73"
ORANGE, SKY, PURPLE = "#E69F00", "#56B4E9", "#CC79A7"
LINES = (BLUE, VERMILION, GREEN, PURPLE, ORANGE, SKY)
INK = "#1a1c20"
"""Text and axes; becomes the page's own text colour where the figure stands in a page."""
FAINT = "#8b9099"
"""Guides; readable on white and on black."""
WIDTH = 7.2
"""Of a figure across the page [in]."""
SPEED_MAP, CURVATURE_MAP = "cividis", "viridis"

RULES: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.titlesize": 8.5,
    "axes.titlelocation": "left",
    "axes.labelsize": 8.0,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "legend.fontsize": 7.5,
    "legend.frameon": False,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.titlecolor": INK,
    "axes.edgecolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.linewidth": 0.7,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.facecolor": "none",
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
    "figure.constrained_layout.use": True,
    "lines.linewidth": 1.1,
    "path.simplify": True,
    "path.simplify_threshold": 0.2,
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
    "svg.hashsalt": "lashwave",
    # Names come from the user's files: a dollar sign in one is no formula.
    "text.parse_math": False,
    "axes.formatter.useoffset": False,
}


def in_style(make: Callable[P, R]) -> Callable[P, R]:
    """Let a function that makes a figure do so in the house style."""

    @wraps(make)
    def styled(*args: P.args, **kwargs: P.kwargs) -> R:
        from matplotlib import rc_context

        with rc_context(RULES):
            return make(*args, **kwargs)

    return styled


def canvas(height: float, width: float = WIDTH) -> Figure:
    """An empty figure [in] that belongs to no window and no global state."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height))


def plain(text: str, longest: int = 28) -> str:
    """A name from a file, fit to be drawn: one line, printable, not too long."""
    shown = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def halo(artist: Any, width: float = 2.2) -> None:
    """Outline a light line so that it is seen on any colour of a map."""
    from matplotlib import patheffects

    artist.set_path_effects([patheffects.Stroke(linewidth=width, foreground="#101216"), *_normal()])


def _normal() -> list[Any]:
    from matplotlib import patheffects

    return [patheffects.Normal()]


def time_map() -> Colormap:
    """`viridis` without its ends, which would vanish on black or on white."""
    from matplotlib import colormaps
    from matplotlib.colors import ListedColormap

    return ListedColormap([colormaps["viridis"](0.1 + 0.78 * i / 255) for i in range(256)])


def guide(axes: Axes, level: float, label: str = "") -> None:
    """A dashed horizontal line, named at its right end."""
    axes.axhline(level, color=FAINT, linewidth=0.9, linestyle=(0, (4, 2)), zorder=1)
    if label:
        axes.annotate(
            label,
            (1.0, level),
            xycoords=("axes fraction", "data"),
            xytext=(-2, 2),
            textcoords="offset points",
            ha="right",
            va="bottom",
            fontsize=7.0,
        )
