"""What a film shall show, as a request asks for it."""

from __future__ import annotations

import math
from typing import Any

from lashwave.serving.replies import Refused

VIEWS: dict[str, tuple[float, float]] = {
    "front": (0.0, 0.0),
    "side": (90.0, 0.0),
    "top": (0.0, 90.0),
    "oblique": (35.0, 20.0),
}
"""Azimuth and elevation of the eye [deg]: front looks along +y with x to the right, z up."""
FRAMES, FASTEST = 3000, 60.0
WIDTH, HEIGHT = 1280, 720


def plan(body: dict[str, Any]) -> dict[str, Any]:
    """Checked arguments of a film; raises Refused (422) with the field at fault.

    view : a name of `VIEWS`, or {"azimuth", "elevation"} [deg], perhaps {"up", "right"} (3,) of the
    screen's axes in the lab. from, to : lab time [s], the whole record where absent. rate : frames
    of the film a second. duration : how long the film lasts [s].
    """
    view = body.get("view", "oblique")
    if isinstance(view, str):
        if view not in VIEWS:
            raise Refused(422, f"view {view[:40]!r} is unknown; use {' or '.join(VIEWS)}", "view")
        azimuth, elevation = VIEWS[view]
    elif isinstance(view, dict):
        azimuth = _number(view, "azimuth", 35.0, -3600, 3600)
        elevation = _number(view, "elevation", 20.0, -90, 90)
    else:
        raise Refused(422, "view is neither a name nor an object", "view")
    rate = _number(body, "rate", 30.0, 1.0, FASTEST)
    duration = _number(body, "duration", 8.0, 0.1, FRAMES / rate)
    begin, end = (
        None if body.get(key) is None else _number(body, key, 0.0, -1e6, 1e6)
        for key in ("from", "to")
    )
    if begin is not None and end is not None and end <= begin:
        raise Refused(422, f"to ({end:g} s) is not after from ({begin:g} s)", "to")
    return {"azimuth": azimuth, "elevation": elevation, "from": begin, "to": end,
            "rate": rate, "duration": duration}  # fmt: skip


def _number(body: dict[str, Any], key: str, default: float, low: float, high: float) -> float:
    value = body.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise Refused(422, f"{key} is no number", key)
    if not low <= value <= high:
        raise Refused(422, f"{key} = {value:g}; expected {low:g} to {high:g}", key)
    return float(value)
