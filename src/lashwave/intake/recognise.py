"""Which instrument wrote a file, and what it holds."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from lashwave.files import FILM_ENDINGS, PNG, READERS, TIFF, MarkerSamples
from lashwave.intake import samples, sheet
from lashwave.intake.headings import usable_unit
from lashwave.intake.sheet import Sheet
from lashwave.quantities import InputError

MOST = 20_000
"""Files of a folder that are looked at."""
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
    noise: float | None = None
    """White noise of one coordinate in the calmest stretches [m]."""

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


def sequences(names: list[str]) -> list[tuple[str, list[str]]]:
    """Images of one folder and ending under one pattern; a lone one under its own name."""
    groups: dict[tuple[str, str], list[str]] = {}
    for name in names:
        path = Path(name)
        # Images that are numbers alone have an empty stem, which stands behind the slash too.
        start = name.removesuffix(path.name) + path.stem.rstrip("0123456789")
        groups.setdefault((start, path.suffix), []).append(name)
    found = []
    for (start, ending), many in groups.items():
        pattern = f"{start}*{ending}" if len(many) >= SEQUENCE else many[0]
        found.append((pattern, sorted(many)))
    return found


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
        found.noise = samples.noise(table.position)
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
    found.noise = samples.noise(record.position)
    return found


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
    return Recognised(name, "calibration", size=size)
