"""Instrument files and a description become a trial folder: checked, then written whole or not."""

from __future__ import annotations

import shutil
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lashwave.files import DESCRIPTION, aside_folder, linked, read_with_faults, sweep, toml_text
from lashwave.intake.convert import Placing
from lashwave.pipeline.checkup import Checkup, inspect_as_read
from lashwave.quantities import InputError, Trial, UnitError, quantity

HEAD = "A trial of lashwave: what was measured, and the files that hold it."
_CAMERA_FILES = ("flashes", "fronts", "tuft", "frames", "calibration", "times", "strobe")


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with a description."""

    field: str
    """As in cameras.0.rate"""
    problem: str
    remedy: str


@dataclass(frozen=True)
class Checked:
    """A description against its files."""

    toml: str
    """The trial.toml that would be written."""
    faults: list[Fault]
    trial: Trial | None
    """None where there is a fault."""
    checkup: Checkup | None = None
    """What `lashwave check` says of it; None where it cannot be read."""


def check(
    source: Path, description: dict[str, Any], units: dict[str, dict[str, str]], scratch: Path
) -> Checked:
    """Every fault of a description, as `lashwave check` finds them.

    scratch : a folder in which the trial is laid out for the moment; better on the same disk.
    """
    sweep(scratch, "check")
    with aside_folder(scratch / "check") as aside:
        return _laid_out(Placing(source, aside / "trial", linked, units), description)


def write(
    source: Path, description: dict[str, Any], units: dict[str, dict[str, str]], target: Path
) -> Checked:
    """Write a trial folder, whole or not at all; where there is a fault nothing is written.

    Raises InputError where `target` exists.
    """
    if target.exists() or target.is_symlink():
        raise InputError(target.name, "exists already", "choose another name", field="folder")
    target.parent.mkdir(parents=True, exist_ok=True)
    sweep(target.parent, target.name)
    with aside_folder(target) as aside:
        done = _laid_out(Placing(source, aside / "trial", shutil.copyfile, units), description)
        if not done.faults:
            if target.exists():
                raise InputError(target.name, "exists already", "choose another", field="folder")
            (aside / "trial").rename(target)
        return done


def _laid_out(placing: Placing, description: dict[str, Any]) -> Checked:
    placing.target.mkdir()
    placed, faults = _placed(placing, description)
    text = described(placed)
    (placing.target / DESCRIPTION).write_text(text, encoding="utf-8")
    trial, found = read_with_faults(placing.target)
    already = {fault.field for fault in faults}
    faults += [f for f in map(as_fault, found) if f.field not in already]
    if faults or trial is None:
        return Checked(text, faults, None)
    try:
        checkup = inspect_as_read(trial)
    except InputError as fault:
        return Checked(text, [as_fault(fault)], None)
    faults = [Fault(one.about, one.text, "") for one in checkup.findings if one.level == "fault"]
    return Checked(text, faults, None if faults else trial, checkup)


def _placed(placing: Placing, given: dict[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """The description with the names that its files have in the trial."""
    description, faults = deepcopy(given), list[Fault]()

    def put(table: Any, key: str, where: str, kind: str | None, rate: float | None = None) -> None:
        if not isinstance(table, dict) or not isinstance(table.get(key), str):
            return
        field = f"{where}.{key}"
        try:
            if kind is None:
                table[key] = placing.plain(table[key], field)
            else:
                table[key] = placing.table(table[key], kind, field, rate)
        except InputError as fault:
            inner = fault.field if fault.field in (field, "markers.rate") else field
            problem = fault.problem if fault.where == "description" else str(fault)
            faults.append(Fault(inner, problem, fault.remedy))
        except (OSError, ValueError) as error:
            faults.append(Fault(field, f"cannot be taken: {error}", "check the file"))

    markers = description.get("markers")
    put(description.get("line"), "table", "line", "line")
    if not _still_in_images(placing.source, description):
        put(markers, "file", "markers", "markers", _rate(markers))
    for i, camera in enumerate(_tables(description, "cameras")):
        put(camera, "points", f"cameras.{i}", "points")
        for key in _CAMERA_FILES:
            put(camera, key, f"cameras.{i}", None)
    for i, microphone in enumerate(_tables(description, "microphones")):
        put(microphone, "file", f"microphones.{i}", None)
    return description, faults


def _still_in_images(source: Path, description: dict[str, Any]) -> bool:
    """Whether the file of markers is what `locate` has yet to make of a camera's images."""
    markers = description.get("markers")
    file = markers.get("file") if isinstance(markers, dict) else None
    filmed = any(
        isinstance(camera, dict) and camera.get("shows") == "dots" and "frames" in camera
        for camera in _tables(description, "cameras")
    )
    return filmed and isinstance(file, str) and not (source / file).exists()


def _rate(markers: Any) -> float | None:
    if not isinstance(markers, dict) or "rate" not in markers:
        return None
    try:
        rate = quantity(markers["rate"], "frequency")
    except UnitError:
        return None
    return rate if rate > 0 else None


def _tables(description: dict[str, Any], key: str) -> list[Any]:
    found = description.get(key, [])
    return found if isinstance(found, list) else []


def described(description: dict[str, Any]) -> str:
    """A description as trial.toml; null and empty tables are left out.

    Raises
    ------
    InputError
        For what TOML cannot hold.
    """
    order = ("schema", "trial", "air", "line", "markers", "cameras", "microphones")
    keys = [k for k in order if k in description] + [k for k in description if k not in order]
    try:
        return toml_text({key: description[key] for key in keys}, HEAD)
    except (TypeError, ValueError, RecursionError) as error:
        problem = f"cannot be written as TOML: {error}"
        raise InputError("description", problem, "use text, numbers and tables") from None


def as_fault(error: InputError) -> Fault:
    """A fault by the field of the description that it belongs to."""
    field = _dotted(error.field or "trial")
    if error.where == DESCRIPTION:
        return Fault(field, error.problem, error.remedy)
    # A fault inside a file belongs to the field that names the file; its own place is kept.
    place = error.where if error.line is None else f"{error.where}, line {error.line}"
    inner = f"{place}, {error.field}" if error.field else place
    return Fault(_dotted(error.part or field), f"{inner}: {error.problem}", error.remedy)


def _dotted(field: str) -> str:
    """A field's name as the form has it: cameras[0].rate is cameras.0.rate."""
    return field.replace("[", ".").replace("]", "")
