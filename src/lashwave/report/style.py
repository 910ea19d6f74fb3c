"""How every figure looks, and how it gets into a page.

Lines take the colours of Okabe and Ito (Color Universal Design, 2008), maps `viridis` and
`cividis` (Nuñez, Anderton and Renslow, PLoS ONE 13 (2018) e0199239): both can be told apart with
any of the common kinds of colour blindness, and in grey.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from io import BytesIO, StringIO
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
DOTS_PER_INCH = 170
"""Of what is stored as an image inside a figure."""


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


@contextmanager
def quiet() -> Iterator[None]:
    """Silence warnings that a reader of the page can do nothing about.

    They are of a glyph that the typeface lacks (drawn as a box), and of limits widened to keep
    one scale in all views.
    """
    import logging
    import warnings

    log = logging.getLogger("matplotlib.axes._base")
    before = log.level
    log.setLevel(logging.ERROR)
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Glyph .* missing")
            yield
    finally:
        log.setLevel(before)


def laid_out(figure: Figure) -> None:
    """Once is enough; saving would lay the figure out again each time."""
    if (layout := figure.get_layout_engine()) is not None:
        layout.execute(figure)
        figure.set_layout_engine("none")


def pdf(figure: Figure) -> bytes:
    """A figure as one page of vectors, its typeface embedded (Type 42)."""
    from matplotlib import rc_context

    out = BytesIO()
    with rc_context(RULES), quiet():
        laid_out(figure)
        figure.savefig(out, format="pdf", dpi=DOTS_PER_INCH, metadata={"CreationDate": None})
    return out.getvalue()


def svg(figure: Figure, name: str) -> str:
    """A figure as an SVG element that can stand in a page beside others.

    Its text takes the page's colour, and its inner names start with `name`, so that no two
    figures of one page refer to each other's parts.
    """
    from matplotlib import rc_context

    out = StringIO()
    with rc_context(RULES), quiet():
        laid_out(figure)
        figure.savefig(out, format="svg", dpi=DOTS_PER_INCH, metadata={"Date": None})
    text = out.getvalue()
    text = re.sub(r"<!--.*?-->", "", text[text.index("<svg") :], flags=re.DOTALL)
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r"url\(#", f"url(#{name}-", text)
    text = re.sub(r'href="#', f'href="#{name}-', text)
    text = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", text, count=1)
    text = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", text, count=1)
    text = text.replace("<svg ", '<svg aria-hidden="true" ', 1)
    return re.sub(r"\n\s*\n+", "\n", text.replace(INK, "currentColor"))
