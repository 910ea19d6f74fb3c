"""The register of answers: what each name means, its unit, its group, what it needs.

Everything that names an answer reads it here: the report, the pages, `compare`, the attributes of
answers.nc, the table of `docs/answers.md`, the tests. The entries are in `register.toml`.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

STANDS_FOR = ("CAMERA", "MICROPHONE")
"""What follows the colon of a name that is asked once an instrument."""
ORDER = "probability_A_before_B"


@dataclass(frozen=True)
class Entry:
    """One answer."""

    name: str
    """As in summary.json or answers.nc; CAMERA, MICROPHONE, A and B stand for names."""
    unit: str
    group: str
    definition: str
    needs: str
    over: tuple[str, ...] = ()
    """Dimensions of a list of answers.nc; none of a single number of summary.json."""
    so_far_over: tuple[str, ...] = ()
    """Of a list of the same name: the same, from the first sample up to each time."""
    headline: bool = False
    """Whether `compare` draws it."""


@cache
def entries() -> tuple[Entry, ...]:
    """Every entry, in the order in which they are printed."""
    text = resources.files("lashwave.answers").joinpath("register.toml").read_text("utf-8")
    return tuple(_read(name, fields) for name, fields in tomllib.loads(text).items())


def _read(name: str, fields: dict[str, Any]) -> Entry:
    over, so_far = (tuple(fields.pop(key, ())) for key in ("over", "so_far_over"))
    return Entry(name=name, over=over, so_far_over=so_far, **fields)


@cache
def _by_name() -> dict[str, Entry]:
    return {entry.name: entry for entry in entries()}


def entry(name: str) -> Entry | None:
    """The entry of an answer as summary.json or answers.nc name it; None where there is none.

    `clock_offset:tip-view` has that of `clock_offset:CAMERA`, `speed_low` that of `speed`.
    """
    known = _by_name()
    stem, colon, _ = name.partition(":")
    if colon:
        return next(
            (known[f"{stem}:{who}"] for who in STANDS_FOR if f"{stem}:{who}" in known), None
        )
    if name.startswith("probability_") and "_before_" in name:
        return known[ORDER]
    for end in ("", "_low", "_high"):
        stem = name.removesuffix(end)
        if name.endswith(end) and stem in known and (not end or listed(known[stem])):
            return known[stem]
    return None


def listed(of: Entry) -> tuple[str, ...]:
    """The dimensions of an entry's list in answers.nc; none where it has no list."""
    return of.over or of.so_far_over


def attributes(name: str) -> dict[str, str]:
    """`units` and `long_name` of a list's variable in answers.nc.

    Raises
    ------
    KeyError
        Where the register has no such list: no answer leaves without a definition.
    """
    found = entry(name)
    if found is None or not listed(found):
        raise KeyError(name)
    said = found.definition.rstrip(".")
    if found.so_far_over:
        said = f"{said}, from the first sample up to each time"
    for end, more in (("_low", "2.5 % quantile"), ("_high", "97.5 % quantile")):
        if name == found.name + end:
            said += f"; {more}"
    return {"units": found.unit, "long_name": said}


def groups() -> tuple[str, ...]:
    """The headings of single answers, in their order."""
    return tuple(dict.fromkeys(e.group for e in entries() if not e.over))


def order(names: list[str]) -> list[str]:
    """Names of answers as the register has them; unknown ones last."""
    place = {e.name: k for k, e in enumerate(entries())}

    def key(name: str) -> int:
        found = entry(name)
        return len(place) if found is None else place[found.name]

    return sorted(names, key=key)


def table() -> str:
    """The register as the tables of `docs/answers.md`, in Markdown."""
    parts = []
    for group in dict.fromkeys(e.group for e in entries()):
        parts.append(f"### {group}\n\n| name | unit | definition | needs |\n|---|---|---|---|")
        parts += [_line(e) for e in entries() if e.group == group]
        parts.append("")
    return "\n".join(parts)


def _line(of: Entry) -> str:
    said = of.definition
    if of.over:
        said += f" Over {', '.join(of.over)}."
    if of.so_far_over:
        said += f" `answers.nc` has the same up to each time, over {', '.join(of.so_far_over)}."
    return f"| `{of.name}` | {of.unit} | {said} | {of.needs} |"
