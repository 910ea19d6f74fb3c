"""Which instrument wrote a file, and what it holds."""

from __future__ import annotations

import glob
import os
import re
from dataclasses import asdict, dataclass, field
from fnmatch import fnmatchcase
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from lashwave.files import FILM_ENDINGS, PNG, READERS, TIFF, MarkerSamples
from lashwave.intake import samples, sheet
from lashwave.intake.headings import usable_unit
from lashwave.intake.marker_scatter import LONGEST
from lashwave.intake.sheet import Sheet
from lashwave.quantities import Array, InputError

MOST = 20_000
"""Files of a folder that are looked at."""
DIGIT = "[0-9]"
"""In a pattern that a star alone would make too wide."""
_DIGITS = re.compile(r"(\d+)")
SEQUENCE = 2
"""Images of one name but for a number that make a sequence."""


@dataclass
class Recognised:
    """One file, or one sequence of images, of a folder of instrument files."""

    name: str
    """Relative to the folder; a pattern for a sequence."""
    kind: str
    """markers, line, points, flashes, fronts, tuft, frames, film, sound, calibration or other."""
    columns: list[dict[str, Any]] = field(default_factory=list)
    rows: int = 0
    rate: float | None = None
    """[Hz], where the file says one."""
    problems: list[str] = field(default_factory=list)
    labels: list[str] = field(default_factory=list)
    coverage: dict[str, float] = field(default_factory=dict)
    length: float | None = None
    size: list[int] | None = None
    """Width and height of images [px]."""
    features: list[str] = field(default_factory=list)
    """Of points; of a calibration the name of its camera."""
    noise: float | None = None
    """Deviation to state for one coordinate, by its scatter in the calmest stretches [m]."""

    def record(self) -> dict[str, Any]:
        """The JSON object."""
        return asdict(self)


def recognise(folder: Path, units: dict[str, dict[str, str]] | None = None) -> list[Recognised]:
    """Every file of a folder, in name order; links and hidden files are passed over.

    Parameters
    ----------
    units : by file and heading, units that a user states in place of those read or guessed.
    """
    names = _names(folder)
    found, images = [], []
    for name in names:
        if Path(name).suffix.lower() in (*TIFF, *PNG):
            images.append(name)
        else:
            found.append(_one(folder, name, (units or {}).get(name, {})))
    found += [_images(folder, pattern, many) for pattern, many in sequences(images)]
    return sorted(found, key=lambda one: one.name)


def count_known(folder: Path) -> int:
    """How many files of a folder and its folders have an instrument's ending; at most MOST."""
    known = {*TIFF, *PNG, *FILM_ENDINGS, *sheet.ENDINGS, *READERS, ".wav"}
    files = (name for _, _, names in os.walk(folder) for name in names)
    return sum(Path(name).suffix.lower() in known for name in islice(files, MOST))


def sequences(names: list[str]) -> list[tuple[str, list[str]]]:
    """Images that differ by one number alone under one pattern; a lone one under its own name.

    Where several numbers of the names differ (a camera's and the image's), the one with most values
    counts the images. A pattern matches the images of its own sequence and no others.
    """
    alike: dict[tuple[str, ...], list[list[str]]] = {}
    for name in names:
        parts = _DIGITS.split(name)
        alike.setdefault(tuple(parts[::2]), []).append(parts)
    found = []
    for many in alike.values():
        values = [len({parts[k] for parts in many}) for k in range(1, len(many[0]), 2)]
        if not values or max(values) < SEQUENCE:
            found += [("".join(parts), ["".join(parts)]) for parts in many]
            continue
        # Of two that vary as much, the last is the usual counter.
        counter = 2 * (len(values) - 1 - int(np.argmax(values[::-1]))) + 1
        groups: dict[tuple[str, ...], list[str]] = {}
        for parts in many:
            rest = (*parts[:counter], "", *parts[counter + 1 :])
            groups.setdefault(rest, []).append("".join(parts))
        found += [(_pattern(rest, counter, of, names), sorted(of)) for rest, of in groups.items()]
    return sorted(found, key=lambda one: names.index(one[1][0]))


def _pattern(parts: tuple[str, ...], counter: int, own: list[str], every: list[str]) -> str:
    """Of one sequence: a star for the counter, or digits where a star matches others."""
    if len(own) < SEQUENCE:
        return own[0]
    before, after = (glob.escape("".join(p)) for p in (parts[:counter], parts[counter + 1 :]))
    wide = {len(name) for name in own}
    digits = len(own[0]) - len("".join(parts))
    for fill in ("*", *([DIGIT * digits] if len(wide) == 1 else []), f"{DIGIT}*"):
        pattern = f"{before}{fill}{after}"
        depth = pattern.count("/")
        same = [n for n in every if n.count("/") == depth and fnmatchcase(n, pattern)]
        if len(same) == len(own):
            break
    return pattern


def _names(folder: Path) -> list[str]:
    found: list[str] = []
    for path in sorted(folder.rglob("*")):
        relative = path.relative_to(folder)
        hidden = any(part.startswith(".") for part in relative.parts)
        linked = any((folder / p).is_symlink() for p in (relative, *relative.parents))
        if path.is_file() and not hidden and not linked:
            found.append(relative.as_posix())
        if len(found) > MOST:
            raise InputError(folder, f"holds over {MOST} files", "name the folder of one trial")
    return found


def _one(folder: Path, name: str, units: dict[str, str]) -> Recognised:
    ending = Path(name).suffix.lower()
    try:
        if ending == ".wav":
            return _sound(folder / name, name)
        if ending in FILM_ENDINGS:
            return _images(folder, name, [name])
        if ending == ".toml":
            return _toml(folder / name, name)
        if ending in sheet.ENDINGS:
            return of_sheet(sheet.read_sheet(folder / name, name), units)
        if ending in READERS:
            return _markers(READERS[ending](folder / name, name, None, None), name)
    except InputError as fault:
        return Recognised(name, "other", problems=[str(fault)])
    except (OSError, ValueError) as error:
        return Recognised(name, "other", problems=[f"cannot be read: {error}"])
    return Recognised(name, "other")


def of_sheet(table: Sheet, units: dict[str, str] | None = None) -> Recognised:
    """A table: by which columns it has."""
    kind = samples.kind_of(table)
    found = Recognised(table.name, kind, rows=len(table.rows))
    chosen = samples.units_of(table, kind, units or {})
    for heading in table.headings:
        unit, guessed = chosen.get(heading.text, (heading.unit, False))
        column = {"name": heading.text, "unit": unit, "means": heading.means}
        found.columns.append(column | {"label": heading.label, "guessed": guessed})
        if not usable_unit(unit, heading.means):
            found.problems.append(f"{heading.text}: [{unit}] is no unit of {heading.means}")
    if bare := [c["name"] for c in found.columns if c["guessed"]]:
        shown = ", ".join(bare[:3]) + (f" and {len(bare) - 3} more" if len(bare) > 3 else "")
        found.problems.append(f"{shown}: no unit stated; mm by their size")
    try:
        _content(table, kind, units or {}, found)
    except InputError as fault:
        found.problems.append(str(fault))
    return found


def _content(sheet: Sheet, kind: str, units: dict[str, str], found: Recognised) -> None:
    if kind == "markers":
        table = samples.markers(sheet, units)
        found.labels, found.rate = list(table.labels), table.rate
        seen = np.isfinite(table.position[..., 0])
        found.coverage = {n: float(seen[:, i].mean()) for i, n in enumerate(table.labels)}
        _scatter(found, table.position)
    elif kind == "line":
        table_of = samples.line(sheet, units)
        found.length = float(table_of["station"][-1])
    elif kind == "points":
        found.features = sorted(set(samples.points(sheet, units).features))


def _markers(record: MarkerSamples, name: str) -> Recognised:
    found = Recognised(name, "markers", rows=record.time.size, rate=record.rate)
    found.labels, found.problems = list(record.present), list(record.notes)
    seen = np.isfinite(record.position[..., 0])
    found.coverage = {n: float(seen[:, i].mean()) for i, n in enumerate(record.labels)}
    _scatter(found, record.position)
    return found


def _scatter(found: Recognised, position: Array) -> None:
    """The deviation to propose; samples that were smoothed are said to be."""
    seen = samples.noise(position)
    if seen is None:
        return
    found.noise = seen.sd
    if seen.joined > 1:
        span = "" if found.rate is None else f", {1e3 * seen.joined / found.rate:.3g} ms"
        most = " or more" if seen.joined == LONGEST else ""
        found.problems.append(
            f"samples are smoothed: about {seen.joined}{most}{span}, share one error. Their "
            f"scatter of {1e3 * seen.seen:.2g} mm is too small; {1e3 * seen.sd:.2g} mm is "
            "proposed for each. Unsmoothed samples are better"
        )


def _sound(path: Path, name: str) -> Recognised:
    from lashwave.files import read_wav

    sound = read_wav(path, name)
    return Recognised(name, "sound", rate=sound.rate, rows=int(sound.samples.shape[0]))


def _images(folder: Path, pattern: str, names: list[str]) -> Recognised:
    from lashwave.files import StillError, TiffStack, png_header

    kind = "film" if Path(names[0]).suffix.lower() in FILM_ENDINGS else "frames"
    found = Recognised(pattern, kind, rows=len(names))
    try:
        if kind == "film":
            from lashwave.files import VideoFile

            film = VideoFile(folder / names[0], names[0])
            found.size, found.rows = list(film.size), len(film)
        elif Path(names[0]).suffix.lower() in PNG:
            found.size = list(png_header(folder / names[0]).size)
        else:
            stack = TiffStack(folder / names[0])
            found.size = list(stack.header(0).size)
            found.rows = len(stack) if len(names) == 1 else len(names)
            stack.close()
    except (StillError, InputError, OSError) as fault:
        found.problems.append(str(fault) or "cannot be read")
    return found


def _toml(path: Path, name: str) -> Recognised:
    from lashwave.files import LARGEST_DESCRIPTION, parse_toml, read_size

    if path.stat().st_size > LARGEST_DESCRIPTION:
        return Recognised(name, "other")
    root = parse_toml(path.read_bytes(), name)
    if not root.has("projection"):
        return Recognised(name, "other")
    size = list(read_size(root)) if root.has("size") else None
    own = root.text("camera", None)
    return Recognised(name, "calibration", size=size, features=[own] if own else [])
