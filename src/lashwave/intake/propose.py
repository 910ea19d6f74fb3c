"""A first description of a trial, from what its files say of themselves."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path, PurePosixPath
from typing import Any

from lashwave.intake.recognise import DIGIT, Recognised

_COUNTER = re.compile(rf"(?:{re.escape(DIGIT)})+\*?")
"""What stands for the images' number in a pattern, where a star does not."""


def propose(folder: Path, files: list[Recognised]) -> dict[str, Any]:
    """A description shaped as trial.toml; what no file says is left out for the user to fill in.

    Of several files of one kind the first in name order is taken. A camera is made of each table
    of points and of each sequence or film; those whose names share a beginning are one camera.
    """
    by_kind: dict[str, list[Recognised]] = {}
    for one in files:
        by_kind.setdefault(one.kind, []).append(one)
    description: dict[str, Any] = {"schema": 1, "trial": {"name": folder.name[:200] or "trial"}}
    if line := by_kind.get("line"):
        description["line"] = {"table": line[0].name}
    if markers := by_kind.get("markers"):
        description["markers"] = _markers(markers[0])
    cameras = _cameras(by_kind)
    if cameras:
        description["cameras"] = cameras
    if sounds := by_kind.get("sound"):
        description["microphones"] = [{"file": one.name} for one in sounds]
    return description


def _markers(one: Recognised) -> dict[str, Any]:
    table: dict[str, Any] = {"file": one.name}
    if one.noise:
        table["sd"] = f"{1e3 * one.noise:.2g} mm"
    return table | {"stations": {}}


def _cameras(by_kind: dict[str, list[Recognised]]) -> list[dict[str, Any]]:
    cameras: list[dict[str, Any]] = []
    keys = {"points": "points", "frames": "frames", "film": "frames"}
    every = [one for kind in keys for one in by_kind.get(kind, [])]
    alone = all(len(by_kind.get(kind, [])) <= 1 for kind in keys) and not (
        by_kind.get("frames") and by_kind.get("film")
    )
    lengths = [one.length for one in by_kind.get("line", []) if one.length]
    crowded = Counter(_name(one.name) for one in every)
    for one in every:
        name = _name(one.name)
        if crowded[name] > 1 and (own := _own_name(one.name)) != name:
            name = own  # several sequences of one folder are several cameras
        camera = next((c for c in cameras if _same(c["name"], name) or alone), None)
        if camera is None or keys[one.kind] in camera:
            camera = {"name": _free(name, cameras), "shows": _shows(name)}
            cameras.append(camera)
        camera[keys[one.kind]] = one.name
        if one.size:
            camera["size"] = one.size
        if one.features:
            tip = f"{lengths[0]:g} m" if lengths else None
            camera["stations"] = {n: tip for n in one.features if n == "tip" and tip}
    for kind in ("flashes", "fronts", "tuft", "calibration", "times"):
        for one in by_kind.get(kind, []):
            stated = one.features[0] if kind == "calibration" and one.features else None
            name = stated or _name(one.name)
            fits = [c for c in cameras if c["name"].lower() == name.lower()]
            fits = fits or [c for c in cameras if _same(c["name"], name)]
            fits = fits or cameras[: len(cameras) == 1]
            if kind == "calibration" and one.size:
                fits = [c for c in fits if c.get("size", one.size) == one.size]
            if fits and kind not in fits[0]:
                if stated is not None and stated not in [c["name"] for c in cameras]:
                    fits[0]["name"] = stated
                fits[0][kind] = one.name
                if one.size:
                    fits[0].setdefault("size", one.size)
    return cameras


def _name(file: str) -> str:
    """A camera's name from its file: the folder of images, or the file without its ending."""
    path = PurePosixPath(_COUNTER.sub("*", file))
    if "*" in path.name and str(path.parent) != ".":
        return path.parent.name
    stem = path.stem.rstrip("*0123456789-_. ") or path.stem
    return stem.replace("*", "").replace(":", "-")[:60] or "camera"


def _own_name(file: str) -> str:
    """Of one of several sequences in a folder: folder and beginning of the images."""
    path = PurePosixPath(_COUNTER.sub("*", file))
    stem = path.stem.replace("*", "").rstrip("0123456789-_. ")
    return f"{path.parent.name}-{stem}"[:60] if stem else _name(file)


def _free(name: str, cameras: list[dict[str, Any]]) -> str:
    """The name, or with a number where another camera has it."""
    taken = {camera["name"] for camera in cameras}
    return next(n for n in (name, *(f"{name}-{k}" for k in range(2, 999))) if n not in taken)


def _shows(name: str) -> str:
    """What a camera's name says of its images: markers' dots in infrared, else schlieren."""
    words = re.split(r"[^a-z]+", name.lower())
    dots = any(w in ("ir", "nir", "dots", "dot", "markers") or w.startswith("infra") for w in words)
    return "dots" if dots else "schlieren"


def _same(a: str, b: str) -> bool:
    """Whether one name goes on from the other, as tip-view and tip-view-flashes, or ends in it, as
    wand-left and left."""
    short, long = sorted((a.lower(), b.lower()), key=len)
    if long == short:
        return True
    goes_on = long.startswith(short) and not long[len(short)].isalnum()
    return goes_on or (long.endswith(short) and not long[-len(short) - 1].isalnum())
