"""Markers without gaps as C3D: what was seen as it was seen, the rest from the motion."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from lashwave.quantities import Array, InputError

MOST_FRAMES = 65535
"""Beyond this the writer's frame count wraps."""


def write_filled(
    path: Path, labels: list[str], time: Array, seen: Array, filled: Array, rate: float
) -> None:
    """Write points (T, L, 3) [m] in millimetres, at times [s] of one rate [Hz].

    A sample of `seen` stands as it is, with a residual of 1 mm; where it is nan, `filled` stands
    with a residual of 0, which in C3D marks a point that was not measured but generated (C3D
    format's user guide, from memory). Where both are nan the residual is -1. The number of the
    first frame is such that (frame - 1) / rate is its time.

    Raises
    ------
    InputError : where there are more frames than the file can count.
    """
    import ezc3d

    first = round(float(time[0]) * rate)
    if first < 0 or first + time.size > MOST_FRAMES:
        raise InputError(
            path,
            f"frames {first + 1} to {first + time.size} do not fit in one C3D file",
            f"let the lab clock start at 0 and keep to {MOST_FRAMES} frames",
        )
    measured = np.isfinite(seen[..., 0])
    whole = np.where(measured[..., None], seen, filled)
    known = np.isfinite(whole[..., 0])
    points = np.ones((4, len(labels), time.size))
    points[:3] = 1e3 * np.nan_to_num(whole.transpose(2, 1, 0), nan=0.0)
    c3d = ezc3d.c3d()
    c3d["parameters"]["POINT"]["RATE"]["value"] = [float(rate)]
    c3d["parameters"]["POINT"]["LABELS"]["value"] = list(labels)
    c3d["parameters"]["POINT"]["UNITS"]["value"] = ["mm"]
    c3d["header"]["points"]["first_frame"] = first
    c3d["data"]["points"] = points
    c3d["data"]["meta_points"]["residuals"] = np.where(known, measured * 1.0, -1.0).T[None]
    c3d.write(str(path))
