"""Numbers and files to take away: lists as CSV, answers as one archive."""

from __future__ import annotations

import csv
import io
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import numpy as np

from lashwave.serving.opened import Answered, Reader
from lashwave.serving.refusal import not_found

PIECE = 1 << 20
TAKEN = ("motion.nc", "samples.nc", "answers.nc", "summary.json", "report.html", "report.pdf")


def csv_of(reader: Reader, answers: Answered, name: str) -> str:
    """A list of answers.nc or a variable of motion.nc as CSV, SI, units in the headings.

    One that runs over time has a row a time with its interval, where it has one; one over time and
    station has a column a station; one over time, station and axis a column a station and axis.

    Raises Refused (404) for a list that there is not.
    """
    motion, lists = reader.motion(answers)
    source = lists if name in lists.data_vars else motion
    if name not in source.data_vars:
        known = ", ".join(sorted(map(str, [*lists.data_vars, *motion.data_vars])))
        raise not_found(f"there is no list {name[:60]!r}; there are {known}")
    values = source[name]
    unit = values.attrs.get("units", "1")
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    first = str(values.dims[0])
    along = source[first].values
    head = [f"{first} [{source[first].attrs.get('units', 's')}]"]
    if values.ndim == 1:
        parts = [n for n in (name, f"{name}_low", f"{name}_high") if n in source]
        writer.writerow([*head, *(f"{n} [{unit}]" for n in parts)])
        columns = np.stack([source[n].values for n in parts], axis=1)
    else:
        stations = source["station"].values
        axes = ("",) if values.ndim == 2 else tuple(f" {a}" for a in "xyz")
        writer.writerow(
            [*head, *(f"{name}{a} at {s:g} m [{unit}]" for s in stations for a in axes)]
        )
        columns = values.values.reshape(along.size, -1)
    for moment, row in zip(along, columns, strict=True):
        writer.writerow([repr(float(moment)), *(_cell(v) for v in row)])
    return stream.getvalue()


def _cell(value: float) -> str:
    """A number that reads back the same; empty where there is none."""
    return repr(float(value)) if np.isfinite(value) else ""


def archive(answers: Answered, name: str) -> IO[bytes]:
    """A zip of the answer files in a temporary file, at its start; nothing is packed twice."""
    stream = tempfile.TemporaryFile()  # noqa: SIM115 - closed when it was sent
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as packed:
        for file in TAKEN:
            path = answers.path / file
            if path.is_file() and not path.is_symlink():
                packed.write(path, f"{name}/{file}")
    stream.seek(0)
    return stream


def pieces(stream: IO[bytes]) -> Iterator[bytes]:
    """What a file holds, bit by bit; closed at the end."""
    with stream:
        while block := stream.read(PIECE):
            yield block


def file_of(answers: Answered, name: str, otherwise: str) -> Path:
    """A file among the answers; raises Refused (404) with a line where it is not there."""
    path = answers.path / name
    if not path.is_file() or path.is_symlink():
        raise not_found(otherwise)
    return path
