"""Files of a folder put where a trial names them: copied where they are as the trial format wants,
written anew beside their copied original where they are not."""

from __future__ import annotations

import glob
import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np

from lashwave.files import (
    METRE_DIGITS,
    READERS,
    SECOND_DIGITS,
    Folder,
    number_text,
    write_points,
    write_rows,
)
from lashwave.intake import samples
from lashwave.intake.sheet import ENDINGS, Sheet, read_sheet
from lashwave.quantities import InputError, UnitError, heading

ORIGINALS = "originals"
"""Folder of a trial that keeps the files which had to be written anew."""
_NAMES = {
    "markers": {"time", "marker", "x", "y", "z", "sd"},
    "points": {"frame", "feature", "u", "v", "sd"},
    "line": {
        *samples.LINE_COLUMNS, *(f"{c}_sd" for c in samples.LINE_COLUMNS),
    },
}  # fmt: skip
_UNITS = {
    "station": "m", "diameter": "m", "linear_density": "kg/m", "bending_stiffness": "N m^2",
    "axial_stiffness": "N",
}  # fmt: skip
Place = Callable[[Path, Path], object]
"""Puts a file in a new place: a copy, or a second name of the same where that is enough."""


@dataclass
class Placing:
    """The files of one new trial."""

    source: Path
    target: Path
    place: Place = shutil.copyfile
    units: dict[str, dict[str, str]] = field(default_factory=dict)
    """Units that the user states, by file and heading."""

    def plain(self, name: str, where: str) -> str:
        """Put a file, or all that a pattern names, under its own name.

        Raises InputError for a file that is not there or lies outside the folder.
        """
        folder = Folder(self.source)
        if glob.has_magic(name):
            folder.inside(name, "description", None, where)
            names = sorted(glob.glob(name, root_dir=self.source))
            if not names:
                problem, remedy = f"no file matches {name[:80]!r}", "name files that are there"
                raise InputError("description", problem, remedy, field=where)
        else:
            names = [name]
        for one in names:
            path = folder.inside(one, "description", None, where)
            if not path.is_file() or (self.source / one).is_symlink():
                problem = f"there is no file {one[:80]!r}"
                raise InputError("description", problem, "name a file of the folder", field=where)
            self._put(path, self.target / PurePosixPath(one))
        return PurePosixPath(name).as_posix()

    def table(self, name: str, kind: str, where: str, rate: float | None = None) -> str:
        """Put a table; its name in the trial. One of another shape is written anew.

        rate : of markers [samples/s] or None; needed where their file counts samples only.

        Raises InputError for a table of another kind, and as `plain`.
        """
        folder = Folder(self.source)
        path = folder.inside(name, "description", None, where)
        ending = path.suffix.lower()
        if (ending in READERS and ending not in ENDINGS) or not path.is_file():
            return self.plain(name, where)
        sheet, units = read_sheet(path, name), self.units.get(name, {})
        found = samples.kind_of(sheet)
        if kind in _NAMES and found != kind:
            problem = f"{name} looks like {found}, not {kind}"
            raise InputError("description", problem, "name another file", field=where)
        if kind not in _NAMES or conforms(sheet, kind, units):
            return self.plain(name, where)
        self._put(path, self.target / ORIGINALS / PurePosixPath(name))
        stem = PurePosixPath(name).stem
        new = f"{stem}.csv"
        while (self.target / new).exists():
            stem += "-1"
            new = f"{stem}.csv"
        if kind == "markers":
            _write_markers(self.target / new, sheet, units, rate)
        elif kind == "line":
            _write_line(self.target / new, sheet, units)
        else:
            table = samples.points(sheet, units)
            write_points(self.target / new, table.frame, table.features, table.uv, table.sd)
        return new

    def _put(self, path: Path, target: Path) -> None:
        target.parent.mkdir(parents=True, exist_ok=True)
        if not target.exists():
            self.place(path, target)


def conforms(sheet: Sheet, kind: str, units: dict[str, str]) -> bool:
    """Whether a table is as the trial format wants it, so that its bytes may stay."""
    if sheet.separator != "," or sheet.comma or sheet.skipped or units:
        return False
    guessed = samples.units_of(sheet, kind, {})
    for one in sheet.headings:
        try:
            name, unit = heading(one.text)
        except UnitError:
            return False
        if name not in _NAMES[kind] or guessed[one.text] != (unit, False):
            return False
    needed = {"markers": {"time", "marker"}, "points": {"feature"}, "line": {"linear_density"}}
    return needed[kind] <= {heading(h.text)[0] for h in sheet.headings}


def _write_markers(path: Path, sheet: Sheet, units: dict[str, str], rate: float | None) -> None:
    table = samples.markers(sheet, units)
    time = table.time
    if time is None:
        if rate is None:
            raise InputError(
                sheet.name, "counts samples and says no time", "give the rate",
                field="markers.rate",
            )  # fmt: skip
        time = (table.number - table.number[0]) / rate
    seen = np.asarray(np.isfinite(table.position).all(axis=2))
    rows = (
        [
            round(float(time[k]), SECOND_DIGITS),
            table.labels[i],
            *(round(float(v), METRE_DIGITS) for v in table.position[k, i]),
        ]
        for k in range(time.size)
        for i in np.flatnonzero(seen[k])
    )
    _rows(path, ["time [s]", "marker", "x [m]", "y [m]", "z [m]"], rows, sheet)


def _write_line(path: Path, sheet: Sheet, units: dict[str, str]) -> None:
    table = samples.line(sheet, units)
    names = [n for n in table if n.removesuffix("_sd") in table]
    head = [f"{n} [{_UNITS[n.removesuffix('_sd')]}]" for n in names]
    columns = [table[n] for n in names]
    rows = ([number_text(v) for v in row] for row in zip(*columns, strict=True))
    _rows(path, head, rows, sheet)


def _rows(path: Path, head: list[str], rows: Iterable[list[Any]], sheet: Sheet) -> None:
    try:
        write_rows(path, head, rows)
    except ValueError:
        raise InputError(sheet.name, "holds no rows", "export it again") from None
