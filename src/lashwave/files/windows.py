"""Several views in one film: the `window` of a camera, and what views of one film must share."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np

from lashwave.files.csv_tables import Table
from lashwave.files.fields import Fields
from lashwave.quantities import Window

LEAST = 16
"""Width and height of a view at least [px]: a smaller one is a slip."""


def read_window(fields: Fields, size: tuple[int, int]) -> Window | None:
    """A camera's part of pictures of that size [px]; None where it has none of its own.

    Raises InputError for what is not four whole numbers, or not within the pictures.
    """
    if not fields.has("window"):
        return None
    given = fields.array("window", (4,))
    right = "write [left, top, width, height] in px of the whole picture"
    if (given != np.rint(given)).any() or (given < 0).any():
        raise fields.fault("window", "is not four whole numbers from 0", right)
    window = Window(*(int(n) for n in given))
    if min(window.size) < LEAST:
        raise fields.fault("window", f"is narrower than {LEAST} px", right)
    if (window.corner + window.size > np.array(size)).any():
        raise fields.fault("window", f"leaves the picture of {size[0]} x {size[1]} px", right)
    return window


def refuse_outside(table: Table, window: Window) -> None:
    """Raise InputError for the first tracked point (u, v) [px] that is another view's."""
    uv = np.stack([table.numbers["u"], table.numbers["v"]], axis=1)
    away = uv - window.corner
    off = ((away < -0.5) | (away > np.array(window.size) - 0.5)).any(axis=1)
    if off.any():
        raise table.fault(
            int(off.argmax()), "u", "lies outside the camera's window",
            "count pixels from the corner of the whole picture",
        )  # fmt: skip


def refuse_one_film(cameras: list[Fields]) -> None:
    """Refuse views of one film that overlap, or that are said to be taken at unlike times."""
    for one, two in combinations([c for c in cameras if "window" in c.table], 2):
        if one.table.get("frames", 0) != two.table.get("frames", 1):
            continue
        windows = [_window(c.table["window"]) for c in (one, two)]
        if windows[0] and windows[1] and windows[0].overlaps(windows[1]):
            name = str(one.table.get("name"))[:60]
            two.refuse("window", f"overlaps that of {name!r}", "part the views of one film")
        for key in ("rate", "exposure", "clock", "times"):
            if one.table.get(key) != two.table.get(key):
                name = str(one.table.get("name"))[:60]
                problem = f"is not that of {name!r}, another view of the same film"
                two.refuse(key, problem, "state the same for all views of one film")


def _window(given: Any) -> Window | None:
    """A window that was read before; None for what was refused then."""
    four = isinstance(given, list) and len(given) == 4
    if not four or not all(isinstance(n, int | float) and n == int(n) for n in given):
        return None
    return Window(*(int(n) for n in given))
