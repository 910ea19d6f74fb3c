"""`lashwave assemble`: instrument files to a trial folder."""

from __future__ import annotations

import json as to_json
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from lashwave import intake, pipeline
from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench.shared_options import Json


def assemble(
    source: Annotated[Path, Parameter(name="SOURCE", help="Folder of the instruments' files.")],
    /,
    *,
    out: Annotated[Path | None, Parameter(help="Trial folder to write; must not exist.")] = None,
    description: Annotated[
        Path | None, Parameter(name="--with", help="A trial.toml to take in place of the proposal.")
    ] = None,
    setting: Annotated[
        tuple[str, ...], Parameter(name="--set", help='A field, as markers.sd="0.3 mm".')
    ] = (),
    station: Annotated[
        tuple[str, ...], Parameter(name="--station", help='A marker, as M01="0.40 m".')
    ] = (),
    unit: Annotated[
        tuple[str, ...], Parameter(name="--unit", help="Of a column, as FILE:HEADING=mm.")
    ] = (),
    json: Json = False,
) -> int:
    """Make a trial folder of instrument files: recognise, describe, check, write.

    Without --out it prints what the files are and the trial.toml proposed, with every fault on
    standard error. Files of another shape are written anew beside a copy; SOURCE never changes.
    """
    return run(source, out, description, setting, station, unit, json)


def run(
    source: Path,
    out: Path | None,
    description: Path | None,
    settings: tuple[str, ...],
    stations: tuple[str, ...],
    units: tuple[str, ...],
    as_json: bool,
) -> int:
    """Recognise, describe, check; write where `out` is given. Status 2 where there is a fault.

    Raises InputError for a source that is no folder, and an `out` within it.
    """
    if not source.is_dir():
        raise InputError(source, "is no folder", "name the folder of the instruments' files")
    stated = stated_units(units)
    files = intake.recognise.recognise(source, stated)
    described = intake.propose.propose(source, files) if description is None else _read(description)
    for setting in settings:
        put(described, *_pair(setting, "--set"))
    for station in stations:
        label, value = _pair(station, "--station")
        described.setdefault("markers", {}).setdefault("stations", {})[label] = _value(value)
    if out is None:
        with tempfile.TemporaryDirectory() as scratch:
            done = intake.new_trial.check(source, described, stated, Path(scratch))
    else:
        if out.resolve().is_relative_to(source.resolve()):
            raise InputError("--out", f"{out} lies among the files", "name a folder outside them")
        done = intake.new_trial.write(source, described, stated, out)
    if as_json:
        record = {"files": [one.record() for one in files], "toml": done.toml}
        record["faults"] = [vars(fault) for fault in done.faults]
        console.say(to_json.dumps(pipeline.checkup.finite(record), indent=1, allow_nan=False))
    else:
        _show(files, done, out)
    for fault in done.faults:
        remedy = f"; {fault.remedy}" if fault.remedy else ""
        print(f"{fault.field}: {fault.problem}{remedy}", file=sys.stderr)
    return 2 if done.faults else 0


def stated_units(units: tuple[str, ...]) -> dict[str, dict[str, str]]:
    """`FILE:HEADING=UNIT` as {file: {heading: unit}}.

    Raises InputError for what has no colon.
    """
    found: dict[str, dict[str, str]] = {}
    for one in units:
        key, unit = _pair(one, "--unit")
        file, colon, heading = key.partition(":")
        if not colon:
            raise InputError("--unit", f"{one!r} has no colon", "write FILE:HEADING=UNIT")
        found.setdefault(file, {})[heading] = unit
    return found


def put(described: dict[str, Any], field: str, text: str) -> None:
    """Set a field such as cameras.0.rate; a value that reads as TOML is that, else it is text.

    Raises InputError for a field that lies in no table.
    """
    value = _value(text)
    place: Any = described
    *way, last = field.split(".")
    for key, then in zip(way, [*way[1:], last], strict=True):
        if isinstance(place, list):
            place = place[_index(field, key, place)]
            continue
        fresh: Any = [] if then.isdecimal() and key in ("cameras", "microphones") else {}
        place = place.setdefault(key, fresh)
    if isinstance(place, list):
        place[_index(field, last, place)] = value
    elif isinstance(place, dict):
        place[last] = value
    else:
        raise InputError("--set", f"{field} lies in no table", "name a field of trial.toml")


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _index(field: str, key: str, place: list[Any]) -> int:
    if not key.isdecimal() or int(key) > len(place):
        raise InputError("--set", f"{field}: there is no number {key}", "count from 0")
    if int(key) == len(place):
        place.append({})
    return int(key)


def _pair(text: str, option: str) -> tuple[str, str]:
    key, equals, value = text.partition("=")
    if not equals or not key.strip() or not value.strip():
        raise InputError(option, f"{text!r} is no NAME=VALUE", 'write as markers.sd="0.3 mm"')
    return key.strip(), value.strip()


def _read(path: Path) -> dict[str, Any]:
    from lashwave.files import parse_toml

    if not path.is_file():
        raise InputError(path, "there is no such file", "name the description", field="--with")
    return parse_toml(path.read_bytes(), str(path)).table


def _show(files: list[intake.Recognised], done: intake.new_trial.Checked, out: Path | None) -> None:
    rows = []
    for one in files:
        what = ", ".join(one.labels[:12] or one.features[:12])
        if one.length is not None:
            what = f"{one.length:g} m"
        rate = "" if one.rate is None else f"{one.rate:g} Hz"
        rows.append([one.name, one.kind, str(one.rows), rate, what])
    console.table("Files", ["file", "kind", "rows", "rate", "holds"], rows)
    for one in files:
        for problem in one.problems:
            console.say(problem if one.name in problem else f"{one.name}: {problem}")
    if out is None or done.faults:
        console.say("")
        console.say(done.toml)
        return
    console.say(f"Trial: {out}; look at it with `lashwave check {out}`")
