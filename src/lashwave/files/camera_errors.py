"""How the errors of cameras go together: what calibration files say of it, read and judged."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lashwave.files.fields import Fields
from lashwave.quantities import Array, Calibration, SharedErrors, joint_covariance

NEEDS = {
    **dict.fromkeys(("fx", "fy", "cx", "cy"), "intrinsics"),
    **dict.fromkeys(("k1", "k2", "p1", "p2", "k3", "k4"), "distortion"),
    **dict.fromkeys(("rx", "ry", "rz"), "rotation"),
    **dict.fromkeys(("tx", "ty", "tz"), "translation"),
    **{f"p{i}{j}": "projection" for i in (1, 2, 3) for j in (1, 2, 3, 4)},
}
"""What else a file must state for a parameter to be one of its camera."""
SLACK = 1e-6
"""By which a covariance that was written and read may fall short of being one."""


def read_names(source: Fields, key: str = "parameters") -> tuple[str, ...]:
    """Names of fitted parameters; none where absent. Raises InputError for what is no such list."""
    names = source.get(key, [])
    if not isinstance(names, list) or any(not isinstance(n, str) or not n for n in names):
        raise source.fault(key, "is not a list of names", "write names in quotes")
    if len(set(names)) != len(names):
        raise source.fault(key, "names one twice", "name each once")
    return tuple(names)


def read_covariance(source: Fields) -> tuple[tuple[str, ...], Array]:
    """Names of the P fitted parameters and their covariance (P, P), [px], [rad], [m] or [1].

    Raises InputError for what is no covariance.
    """
    names = read_names(source)
    count = len(names)
    if count == 0 and source.get("covariance", []) == []:
        return (), np.empty((0, 0))
    covariance = source.array("covariance", (count, count))
    scale = np.sqrt(np.abs(np.diag(covariance)))
    slack = 1e-9 * np.outer(scale, scale)
    if (np.diag(covariance) < 0).any() or (np.abs(covariance - covariance.T) > slack).any():
        raise source.fault("covariance", "is no covariance", "calibrate again")
    return names, covariance


def read_shared(source: Fields, count: int) -> tuple[str, tuple[SharedErrors, ...]]:
    """The adjustment of several cameras that a file of `count` parameters comes from, and what its
    errors share with those of each other camera.

    Raises InputError for one of the two alone, a camera named twice, and a block of another shape.
    """
    tables, adjustment = source.subs("shared"), source.text("adjustment", "")
    if tables and not adjustment:
        raise source.fault("adjustment", "is missing, and shared needs it", "calibrate again")
    found: list[SharedErrors] = []
    for table in tables:
        table.expect("camera", "parameters", "covariance")
        name, names = table.text("camera"), read_names(table)
        if not names:
            raise table.fault("parameters", "is empty", "leave that camera out")
        if name in {one.camera for one in found}:
            raise table.fault("camera", f"{name!r} stands twice", "calibrate again")
        found.append(SharedErrors(name, names, table.array("covariance", (count, len(names)))))
    return adjustment, tuple(found)


def refuse_strange(source: Fields, parameters: Sequence[str]) -> None:
    """Raise InputError where a parameter is none of a camera, or its value is not stated."""
    for name in parameters:
        if name not in NEEDS:
            right = "use those that `lashwave calibrate` writes"
            raise source.fault("parameters", f"{name!r} is none of a camera's", right)
        if not source.has(NEEDS[name]):
            raise source.fault(NEEDS[name], f"is missing, and parameter {name} needs it", "add it")


def refuse_unlike(cameras: Sequence[tuple[Fields, Calibration]]) -> None:
    """Refuse a camera whose file contradicts those of cameras before it, of one adjustment.

    Each of two must say the same of what they share, and all errors together have a covariance.

    cameras : each camera's table in the trial, and what the file says that its `calibration` names.
    """
    for i, (fields, one) in enumerate(cameras):
        together = [(f, c) for f, c in cameras[:i] if one.adjustment == c.adjustment != ""]
        right = "take all files of one calibration"
        for other, two in together:
            if not _agree(one, two, one.shared_with(two), two.shared_with(one)):
                names = f"{fields.shown('calibration')} and {other.shown('calibration')}"
                fields.refuse("calibration", f"{names} state unlike shared covariances", right)
                return
        if together and not is_covariance(joint_covariance([one, *(c for _, c in together)])):
            problem = f"{fields.shown('calibration')} has no covariance with the cameras before it"
            fields.refuse("calibration", problem, right)
            return


def _agree(one: Calibration, two: Calibration, mine: Array | None, theirs: Array | None) -> bool:
    if mine is None or theirs is None:
        return mine is theirs
    scale = np.sqrt(np.outer(np.diag(one.covariance), np.diag(two.covariance)))
    return bool((np.abs(mine - theirs.T) <= SLACK * scale).all())


def is_covariance(matrix: Array) -> bool:
    """Whether a symmetric matrix (S, S), of any units, has no direction below zero."""
    size = np.sqrt(np.diag(matrix))
    size[size == 0.0] = 1.0
    return bool(np.linalg.eigvalsh(matrix / np.outer(size, size))[0] > -SLACK * len(size))
