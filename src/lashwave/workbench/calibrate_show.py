"""What `calibrate` prints: each camera's parameters with their sd, and what to beware of."""

from __future__ import annotations

import json

import numpy as np

from lashwave.calibrate import (
    PARALLEL,
    UNITS,
    Calibrated,
    Prior,
    names_of,
    numeric_jacobian,
    view_direction,
    view_sd,
)
from lashwave.pipeline import console
from lashwave.quantities import Array, Calibration
from lashwave.report import decimals, fixed
from lashwave.workbench.calibrate_plan import CalibrationOutcome

Row = tuple[str, float, float | None, str]


def values(calibration: Calibration) -> list[Row]:
    """Name, value, sd (None where it was held) and unit of what describes the camera."""
    if calibration.intrinsics is not None:
        return _pinhole(calibration)
    if calibration.parameters == PARALLEL:
        return _parallel(calibration)
    # Entries of a DLT say nothing one by one; where the camera stands does.
    flat = calibration.projection.ravel()
    return _vector("camera at", camera_place, flat, calibration.covariance, "m")


def camera_place(projection: Array) -> Array:
    """(3,) where a camera stands in the lab [m], from the 12 entries of its projection."""
    matrix = projection.reshape(3, 4)
    return np.asarray(-np.linalg.solve(matrix[:, :3], matrix[:, 3]))


def _vector(name: str, of: Prior, x: Array, covariance: Array, unit: str) -> list[Row]:
    """Rows of the three components of what is computed from parameters `x`."""
    slope = numeric_jacobian(of, x)
    sd = np.sqrt(np.maximum(np.diag(slope @ covariance @ slope.T), 0.0))
    return [
        (f"{name} {axis}", float(v), float(s) if s > 1e-9 else None, unit)
        for axis, v, s in zip("xyz", of(x), sd, strict=True)
    ]


def _pinhole(c: Calibration) -> list[Row]:
    inner = np.asarray(c.intrinsics)
    bend = np.zeros(5) if c.distortion is None else c.distortion
    full = [inner[0, 0], inner[1, 1], inner[0, 2], inner[1, 2], *bend]
    if c.rotation is not None and c.translation is not None:
        full += [*c.rotation, *c.translation]
    return [
        (name, float(value), c.sd(name) if name in c.parameters else None, UNITS[name])
        for name, value in zip(names_of(4 + len(bend) + 6), full, strict=False)
    ]


def _parallel(c: Calibration) -> list[Row]:
    top = c.projection[:2]
    rows: list[Row] = []
    for i, name in enumerate("uv"):
        length = float(np.linalg.norm(top[i, :3]))
        along = np.zeros(8)
        along[4 * i : 4 * i + 3] = top[i, :3] / length
        sd = float(np.sqrt(along @ c.covariance @ along))
        rows.append((f"scale of {name}", 1e-3 * length, 1e-3 * sd, "px/mm"))
    rows += _vector("view", view_direction, top.ravel(), c.covariance, "")
    spread = float(np.degrees(view_sd(top.ravel(), c.covariance)))
    return [*rows, ("sd of the view", spread, None, "deg")]


def outcome(result: CalibrationOutcome, as_json: bool) -> None:
    """Print an outcome, as a table or as JSON."""
    if as_json:
        console.say(json.dumps(_plain(result), indent=1, allow_nan=False))
        return
    for name, found, path in result.cameras:
        rows = [_cells(row) for row in [*values(found.calibration), *_quality(found)]]
        console.table(f"{name}: {path}", ["quantity", "value", "sd", "unit"], rows)
        for text in found.warnings:
            console.say(f"  beware: {text}")
    if result.facts:
        rows = [_cells(row) for row in result.facts]
        console.table("all cameras", ["quantity", "value", "sd", "unit"], rows)
    for text in result.left_out[:10]:
        console.say(f"  left out: {text}")
    if len(result.left_out) > 10:
        console.say(f"  left out: and {len(result.left_out) - 10} more")
    for text in result.notes:
        console.say(f"  note: {text}")


def _quality(found: Calibrated) -> list[Row]:
    c = found.calibration
    return [
        ("sd of an image coordinate", c.reprojection_sd, None, "px"),
        ("degrees of freedom", float(c.degrees_of_freedom), None, ""),
        ("sd of the registration", c.registration_sd, None, "px"),
        ("images", float(c.images), None, ""),
        ("points used", float(c.points), None, ""),
    ]


def _cells(row: Row) -> list[str]:
    name, value, sd, unit = row
    if sd is None:
        whole = float(value).is_integer()
        return [name, f"{value:.0f}" if whole else fixed(value, decimals(None, value)), "", unit]
    places = decimals(sd, value)
    return [name, fixed(value, places), fixed(sd, places), unit]


def _plain(result: CalibrationOutcome) -> dict[str, object]:
    def row(value: float, sd: float | None, unit: str) -> dict[str, object]:
        return {"value": value, "sd": sd, "unit": unit}

    return {
        "kind": result.kind,
        "cameras": {
            name: {
                "file": str(path),
                "quantities": {n: row(v, s, u) for n, v, s, u in values(found.calibration)},
                "reprojection_sd": found.calibration.reprojection_sd,
                "degrees_of_freedom": found.calibration.degrees_of_freedom,
                "registration_sd": found.calibration.registration_sd,
                "images": found.calibration.images,
                "points": found.calibration.points,
                "condition": found.condition,
                "warnings": list(found.warnings),
            }
            for name, found, path in result.cameras
        },
        "facts": {n: row(v, s, u) for n, v, s, u in result.facts},
        "left_out": list(result.left_out),
        "notes": list(result.notes),
    }
