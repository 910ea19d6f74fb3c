"""The `marks` of a camera: points at rest whose places are known, by which it is seen to move."""

from __future__ import annotations

import math

import numpy as np

from lashwave.files.csv_tables import Column, Table, read_table
from lashwave.files.fields import Fields
from lashwave.files.source import Folder
from lashwave.quantities import Marks

FEWEST = 2
"""Marks that say anything of a camera's place."""
PLACE_SD = 1e-3
"""Of one coordinate of a mark whose table does not say [m]."""


def read_marks(folder: Folder, fields: Fields, size: tuple[int, int]) -> Marks | None:
    """A camera's marks, `point, x [m], y [m], z [m]`, optionally `sd [m]`, `u [px]`, `v [px]`.

    Raises InputError for too few, two of one name, images for some alone or outside a picture of
    that size [px], and images that are missing where no picture could show them.
    """
    if not fields.has("marks"):
        dots = fields.table.get("shows") == "dots" and fields.has("frames")
        if fields.flag("register") and not dots:
            right = "name a table of points at rest as marks"
            fields.refuse("register", "needs marks, or images of dots", right)
        return None
    name = fields.text("marks")
    path = folder.file(name, fields.where, fields.line("marks"), fields.name("marks"))
    width, height = size
    table = read_table(
        path,
        name,
        (
            Column("point", kind="text"),
            *(Column(c, "length", low=-1e4, high=1e4) for c in "xyz"),
            Column("sd", "length", False, low=1e-6, high=1.0),
            Column("u", "pixel", False, low=-0.5, high=width - 0.5),
            Column("v", "pixel", False, low=-0.5, high=height - 0.5),
        ),
    )
    labels = [table.texts["point"][c] for c in table.codes["point"]]
    _check(table, labels)
    uv = np.full((table.rows, 2), math.nan)
    if "u" in table.numbers:
        uv = np.stack([table.numbers["u"], table.numbers["v"]], axis=1)
    elif fields.table.get("shows") != "dots" or not fields.has("frames"):
        raise table.fault(
            0, "u", "is missing", "give u and v; only bright dots in images are found by themselves"
        )
    return Marks(
        labels=tuple(labels),
        place=np.stack([table.numbers[c] for c in "xyz"], axis=1),
        sd=table.numbers.get("sd", np.full(table.rows, PLACE_SD)),
        uv=uv,
    )


def _check(table: Table, labels: list[str]) -> None:
    if table.rows < FEWEST:
        raise table.fault(0, "point", "is the only mark", f"give {FEWEST} at least, better six")
    if ("u" in table.numbers) != ("v" in table.numbers):
        raise table.fault(0, "u", "and v go together", "give both or neither")
    for row, label in enumerate(labels):
        if not label:
            raise table.fault(row, "point", "has no label", "name each mark")
        if label in labels[:row]:
            raise table.fault(row, "point", f"{label!r} stands twice", "keep one of the rows")
