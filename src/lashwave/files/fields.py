"""TOML with a memory of its lines: each field is checked, and a fault says where it stands.

The first fault is raised; or all are gathered, with a stand-in for each value that is at fault.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path as File
from typing import Any, Literal, TypeVar, overload

import numpy as np
from numpy.typing import NDArray

from lashwave.files.source import decode
from lashwave.quantities import SI, InputError, UnitError, limit_text, quantity

Path = tuple[str | int, ...]
T = TypeVar("T")
_HEADER = re.compile(r"^\s*(\[\[?)([^\[\]]+)\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"""^\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"|'[^']*'))*)\s*="""
)
_PART = re.compile(r"""[\w-]+|"[^"]*"|'[^']*'""")

DEEPEST = 100
"""Parts of a dotted key; no field has more than five."""


class _Required:
    """Marks a field that has no default."""


REQUIRED = _Required()


@dataclass(frozen=True)
class Fields:
    """One table of a TOML file."""

    where: str
    """The file, as the user knows it."""
    table: dict[str, Any]
    path: Path
    lines: dict[Path, int]
    found: list[InputError] | None = None
    """Where faults are gathered while reading goes on; None: the first is raised."""

    def line(self, key: str | None = None) -> int | None:
        """The line of a field, or of the nearest table around it."""
        path = self.path if key is None else (*self.path, key)
        while path:
            if path in self.lines:
                return self.lines[path]
            path = path[:-1]
        return None

    def name(self, key: str) -> str:
        """The field's full name, as in `cameras[0].clock.offset`."""
        text = ""
        for part in (*self.path, key):
            if isinstance(part, int):
                text += f"[{part}]"
            else:
                text += part if not text else f".{part}"
        return "".join(c if c.isprintable() else "?" for c in text)[:120]

    def fault(self, key: str, problem: str, remedy: str) -> InputError:
        """The error for a field, to be raised."""
        return InputError(self.where, problem, remedy, line=self.line(key), field=self.name(key))

    def refuse(self, key: str, problem: str, remedy: str, stand_in: Any = None) -> Any:
        """Raise the error for a field; or gather it and give what reading goes on with."""
        return self._refuse(self.fault(key, problem, remedy), stand_in)

    def attempt(self, key: str, read: Callable[[], T], stand_in: Any) -> T:
        """What a field leads to, as a file; where faults are gathered, a stand-in for its first."""
        if self.found is None:
            return read()
        try:
            return read()
        except InputError as fault:
            fault.part = fault.part or self.name(key)
            found: T = self._refuse(fault, stand_in)
            return found

    def _refuse(self, fault: InputError, stand_in: Any) -> Any:
        if self.found is None:
            raise fault
        if str(fault) not in map(str, self.found):
            self.found.append(fault)
        return stand_in

    def shown(self, key: str) -> str:
        """A value as the file has it, unit and all, not longer than a line can take."""
        value = self.table[key]
        return _cut(value) if isinstance(value, str) else _shown(value)

    def expect(self, *keys: str) -> Fields:
        """The table itself; raises InputError for a key that is none of `keys`."""
        for key in self.table:
            if key not in keys:
                near = difflib.get_close_matches(key, keys, 1, 0.6)
                right = f"did you mean {near[0]!r}?" if near else "known: " + ", ".join(keys)
                self.refuse(key, "is not a known field", right)
        return self

    def has(self, key: str) -> bool:
        return key in self.table

    def get(self, key: str, default: Any = REQUIRED) -> Any:
        """The raw value, or the default; raises InputError where there is neither."""
        if key in self.table:
            return self.table[key]
        if isinstance(default, _Required):
            raise self.fault(key, "is missing", "add it")
        return default

    def text(
        self, key: str, default: Any = REQUIRED, choices: tuple[str, ...] = (), longest: int = 200
    ) -> Any:
        """A string; one of `choices` where they are given, else printable and not empty.

        Raises InputError for what is no text, empty, or none of the choices.
        """
        value = self.get(key, default)
        if key not in self.table:
            return value
        if not isinstance(value, str):
            raise self.fault(key, f"{_shown(value)} is not text", "write it in quotes")
        if choices and value not in choices:
            right = "use " + " or ".join(choices)
            return self.refuse(key, f"{_shown(value)} is unknown", right, choices[0])
        if not value.strip() or not value.isprintable() or len(value) > longest:
            raise self.fault(
                key, f"{_shown(value)} is not usable", f"use 1 to {longest} printable characters"
            )
        return value

    def number(
        self,
        key: str,
        dimension: str,
        default: Any = REQUIRED,
        low: float = -math.inf,
        high: float = math.inf,
        above: float | None = None,
    ) -> Any:
        """A quantity in SI within [low, high], and greater than `above` where that is given.

        Raises InputError for what is no number of the dimension or out of its range.
        """
        needed = isinstance(default, _Required)
        # Above the floor by a little, so that a second judgement which rests on it finds no fault.
        stand_in = _floor(low, high, above) if needed else default
        if key not in self.table:
            return self.refuse(key, "is missing", "add it", stand_in) if needed else default
        value = self.table[key]
        try:
            result = quantity(value, dimension)
        except UnitError as error:
            return self.refuse(key, error.problem, error.remedy, stand_in)
        if not low <= result <= high or (above is not None and result <= above):
            unit = "" if dimension == "ratio" else f" {SI[dimension]}"
            floor = low if above is None else above
            least = f"{'from' if above is None else 'above'} {limit_text(floor, result)}"
            right = f"expected {least} to {limit_text(high, result)}{unit}"
            return self.refuse(key, f"{_shown(value)} is not plausible", right, stand_in)
        return result

    def flag(self, key: str) -> bool:
        """True or false; false where absent.

        Raises InputError for anything else.
        """
        value = self.get(key, False)
        if not isinstance(value, bool):
            problem = f"{_shown(value)} is neither true nor false"
            return bool(self.refuse(key, problem, "write true or false", False))
        return value

    def array(self, key: str, shape: tuple[int, ...]) -> NDArray[np.float64]:
        """Plain finite numbers of one shape; no unit stands beside them.

        Raises InputError for what is no array of finite numbers of the shape.
        """
        value = self.get(key)
        size = " x ".join(str(n) for n in shape)
        wrong = self.fault(key, f"is not {size} finite numbers", f"write {size} plain numbers")
        flat = list(_flatten(value))
        if any(isinstance(v, bool) or not isinstance(v, int | float) for v in flat):
            raise wrong
        try:
            result = np.array(value, dtype=np.float64)
        except (ValueError, OverflowError):
            raise wrong from None
        if result.shape != shape or not np.isfinite(result).all():
            raise wrong
        return result

    @overload
    def sub(self, key: str, *, required: Literal[True]) -> Fields: ...
    @overload
    def sub(self, key: str) -> Fields | None: ...
    def sub(self, key: str, *, required: bool = False) -> Fields | None:
        """A table within this one.

        Raises InputError for what is no table, and where it is required and missing.
        """
        value = self.get(key, REQUIRED if required else None)
        if value is None:
            return None
        if not isinstance(value, dict):
            raise self.fault(key, "is not a table", f"write [{self.name(key)}]")
        return replace(self, table=value, path=(*self.path, key))

    def subs(self, key: str) -> list[Fields]:
        """An array of tables within this one; empty where absent.

        Raises InputError for what is no list of tables.
        """
        value = self.get(key, [])
        if not isinstance(value, list) or any(not isinstance(v, dict) for v in value):
            raise self.fault(key, "is not a list of tables", f"write [[{self.name(key)}]]")
        return [replace(self, table=v, path=(*self.path, key, i)) for i, v in enumerate(value)]


def read_toml(path: File, what: str) -> Fields:
    """The root table of a TOML file that a user named.

    what : what it should hold, as "limits", for the message.

    Raises InputError where it cannot be read or is no TOML.
    """
    try:
        data = path.read_bytes()
    except OSError as failure:
        problem = f"cannot be read: {failure.strerror}"
        raise InputError(path, problem, f"name a TOML file of {what}") from None
    return parse_toml(data, str(path))


def parse_toml(data: bytes, where: str) -> Fields:
    """The root table of a TOML file, from its bytes; raises InputError for bad syntax."""
    text = decode(data, where)
    _refuse_deep_keys(text, where)
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        match = re.search(r"\(at line (\d+)", str(error))
        line = int(match.group(1)) if match else text.count("\n") + 1
        problem = re.sub(r"\s*\(at .*\)$", "", str(error))
        raise InputError(
            where, f"is not TOML: {problem}", "correct the line", line=line, field="syntax"
        ) from None
    except (RecursionError, ValueError):
        raise InputError(
            where, "is not TOML that can be read", "write it plainly", field="syntax"
        ) from None
    return Fields(where, table, (), _scan(text))


def _refuse_deep_keys(text: str, where: str) -> None:
    """Refuse a key of a great many parts: the library's time grows with their square."""
    for number, row in enumerate(text.split("\n"), 1):
        if row.count(".") > DEEPEST:
            joined = re.sub(r"[ \t]*\.[ \t]*", ".", row)
            if any(w.count(".") > DEEPEST for w in re.split(r"[\s,=\[\]{}]+", joined)):
                problem = f"has a key of over {DEEPEST} parts"
                raise InputError(where, problem, "write it plainly", line=number, field="syntax")


def _scan(text: str) -> dict[Path, int]:
    """Line of each table and key, by a plain look at the lines (strings over lines may fool it)."""
    lines: dict[Path, int] = {}
    count: dict[Path, int] = {}
    here: Path = ()
    for number, row in enumerate(text.splitlines(), 1):
        if header := _HEADER.match(row):
            parts = _parts(header.group(2))
            here = ()
            for i, part in enumerate(parts):
                here = (*here, part)
                last = i == len(parts) - 1
                if last and header.group(1) == "[[":
                    count[here] = count.get(here, -1) + 1
                if here in count:
                    here = (*here, count[here])
            lines.setdefault(here, number)
        elif key := _KEY.match(row):
            path = (*here, *_parts(key.group(1)))
            lines.setdefault(path, number)
    return lines


def _parts(text: str) -> list[str]:
    return [part.strip("\"'") for part in _PART.findall(text)]


def _flatten(value: Any) -> Iterable[Any]:
    if isinstance(value, list):
        for item in value:
            yield from _flatten(item)
    else:
        yield value


def _floor(low: float, high: float, above: float | None) -> float:
    """The least number that a field may be, or just above what it must exceed."""
    if above is not None:
        return above + 1e-6 * min(high - above, 1.0)
    return low if math.isfinite(low) else 0.0


def _shown(value: object) -> str:
    return _cut(repr(value))


def _cut(text: str) -> str:
    return text if len(text) <= 50 else text[:47] + "..."
