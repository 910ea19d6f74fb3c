"""Throws computed into a table that a stopped run goes on with, for the commands that need them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd

from lashwave.files import ThrowTable, read_throws
from lashwave.quantities import Array
from lashwave.study import ensemble, one_throw, throw_family

UNITS = {
    **{item.name: item.unit for item in throw_family.INPUTS},
    **{item.name: item.unit for item in (*one_throw.OUTPUTS, *one_throw.ACCURACY)},
    "tip_diameter": "m",
}
COLUMNS = ("throw", *ensemble.TABLE, "bad")


def computed(
    path: Path, inputs: Array, processes: int | None, show: Callable[[str, float], None],
    gpu: bool = False,
) -> pd.DataFrame:  # fmt: skip
    """The table of throws with these inputs (M, D) [SI, as m]; those it holds are not repeated.

    Raises
    ------
    InputError : the file holds other columns; gpu, and there is no graphics card.
    """
    table = ThrowTable(path, COLUMNS, UNITS)
    todo = [n for n in range(len(inputs)) if n not in table.done]
    for lot in ensemble.rows(inputs, todo, processes=processes, progress=show, gpu=gpu):
        table.add(lot)
    found = read_throws(path)
    return found[found["throw"] < len(inputs)].reset_index(drop=True)
