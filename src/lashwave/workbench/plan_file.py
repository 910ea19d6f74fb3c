"""The TOML file of `lashwave plan`: a question, an expected throw, set-ups and their prices."""

from __future__ import annotations

from dataclasses import dataclass, fields as fields_of, replace
from pathlib import Path
from typing import Any

from lashwave.files import Fields, read_toml
from lashwave.quantities import BenchPlan, PlannedMarkers, PlannedView
from lashwave.study.plan import ANSWERS

MOST_SET_UPS = 64
_MARKERS = {
    "crowd": ("ratio", 0.2, 5.0), "last": ("length", 0.0, 1.0), "rate": ("frequency", 20.0, 1e5),
    "sd": ("length", 1e-6, 0.1), "station_sd": ("length", 0.0, 0.1), "mass": ("mass", 0.0, 0.01),
    "diameter": ("length", 0.0, 0.05), "loss_speed": ("speed", 1.0, 1e4),
    "missing": ("ratio", 0.0, 0.9),
}  # fmt: skip
_VIEW = {
    "rate": ("frequency", 100.0, 1e7), "width": ("length", 0.01, 10.0),
    "sd": ("pixel", 0.01, 50.0), "angle": ("angle", -1.6, 1.6), "beside": ("length", -5.0, 5.0),
    "clock_sd": ("time", 1e-7, 0.05), "registration_sd": ("pixel", 0.0, 200.0),
}  # fmt: skip
_WHOLE = {"count": (3, 60), "pixels": (64, 20_000), "frames": (2, 5000)}


@dataclass(frozen=True)
class PlanAsked:
    """What a plan is asked."""

    question: str
    throw: int | tuple[Path, Path]
    """Seed of the bench's throw, or trial and answers of one that was made."""
    span: tuple[float, float]
    """Of the record, before and after the peak [s]."""
    between: float
    """Standard deviation of throws among each other, over the answer [1]."""
    budget: float | None
    a_throw: float
    set_ups: tuple[BenchPlan, ...]


def read_plan(path: Path) -> PlanAsked:
    """The plan of a file.

    Raises
    ------
    InputError : the file or a field is at fault.
    """
    root = read_toml(path, "a plan").expect(
        "question", "throw", "trial", "answers", "before", "after", "between", "budget",
        "price_a_throw", "markers", "view", "set_up",
    )  # fmt: skip
    question = root.text("question", "peak_tip_speed", choices=ANSWERS)
    throw = _throw(root, path.parent)
    span = (
        root.number("before", "time", 0.3, 0.02, 5.0), root.number("after", "time", 0.01, 0.0, 1.0)
    )  # fmt: skip
    markers = _markers(root.sub("markers"), PlannedMarkers())
    views = tuple(_view(view, PlannedView()) for view in root.subs("view"))
    return PlanAsked(
        question, throw, span, root.number("between", "ratio", 0.05, 0.0, 10.0),
        root.number("budget", "ratio", None, above=0.0),
        root.number("price_a_throw", "ratio", 0.0, 0.0), _set_ups(root, markers, views),
    )  # fmt: skip


def _throw(root: Fields, home: Path) -> int | tuple[Path, Path]:
    if root.has("trial") != root.has("answers") or root.has("throw") == root.has("trial"):
        raise root.fault(
            "throw", "the expected throw is not stated once",
            "give throw = 11 (a throw of the bench), or trial and answers of one that was made",
        )  # fmt: skip
    if root.has("trial"):
        return (
            home / root.text("trial", longest=2000), home / root.text("answers", longest=2000)
        )  # fmt: skip
    return _whole(root, "throw", 0, 0, 10**6)


def _set_ups(
    root: Fields, markers: PlannedMarkers, views: tuple[PlannedView, ...]
) -> tuple[BenchPlan, ...]:
    given = root.subs("set_up")
    if len(given) > MOST_SET_UPS:
        raise root.fault("set_up", f"{len(given)} of them", f"give {MOST_SET_UPS} at most")
    found = []
    for one in given:
        one.expect("name", "price", "markers", "view")
        own = views
        if one.has("view"):
            base = views[0] if views else PlannedView()
            own = tuple(_view(view, base) for view in one.subs("view"))
        found.append(BenchPlan(
            one.text("name"), _markers(one.sub("markers"), markers), own,
            one.number("price", "ratio", 0.0, 0.0),
        ))  # fmt: skip
        if [plan.name for plan in found].count(found[-1].name) > 1:
            raise one.fault("name", f"{found[-1].name!r} stands twice", "give each its own name")
    return tuple(found) or (BenchPlan("as stated", markers, views),)


def _markers(fields: Fields | None, base: PlannedMarkers) -> PlannedMarkers:
    if fields is None:
        return base
    fields.expect(*(one.name for one in fields_of(PlannedMarkers)))
    count = _whole(fields, "count", base.count, *_WHOLE["count"])
    return replace(base, count=count, **_numbers(fields, _MARKERS))


def _view(fields: Fields, base: PlannedView) -> PlannedView:
    fields.expect(*(one.name for one in fields_of(PlannedView)))
    whole = {n: _whole(fields, n, getattr(base, n), *_WHOLE[n]) for n in ("pixels", "frames")}
    changed: dict[str, Any] = {**whole, **_numbers(fields, _VIEW)}
    return replace(base, **changed)


def _numbers(fields: Fields, known: dict[str, tuple[str, float, float]]) -> dict[str, float]:
    """The quantities that a table states, SI."""
    return {
        name: fields.number(name, dimension, low=low, high=high)
        for name, (dimension, low, high) in known.items()
        if fields.has(name)
    }


def _whole(fields: Fields, name: str, default: int, low: int, high: int) -> int:
    value = fields.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise fields.fault(name, f"{value!r} is no whole number of them", f"give {low} to {high}")
    return value
