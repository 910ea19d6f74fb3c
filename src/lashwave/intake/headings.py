"""Headings as exporters write them: what a column means, and the unit it says."""

from __future__ import annotations

import re
from dataclasses import dataclass

from lashwave.quantities import UnitError, factor

DIMENSIONS = {
    "time": "time", "x": "length", "y": "length", "z": "length", "sd": "length",
    "u": "pixel", "v": "pixel", "station": "length", "diameter": "length",
    "linear_density": "linear density", "bending_stiffness": "bending stiffness",
    "axial_stiffness": "force", "frame": "ratio", "width": "length",
}  # fmt: skip
"""Of each meaning that is a number."""
_MEANS = {
    "time": ("time", "t", "timestamp", "seconds", "sec"),
    "frame": ("frame", "frames", "frame no", "frame number", "image", "picture", "sample", "field"),
    "marker": ("marker", "label", "marker name", "name", "point"),
    "feature": ("feature",),
    "front": ("front",),
    "x": ("x", "pos x", "x pos"),
    "y": ("y", "pos y", "y pos"),
    "z": ("z", "pos z", "z pos"),
    "u": ("u", "column", "px x", "x px"),
    "v": ("v", "row", "px y", "y px"),
    "sd": ("sd", "std", "sigma", "standard deviation"),
    "station": ("station", "s", "arc length", "arclength", "distance", "distance from butt"),
    "diameter": ("diameter", "dia", "d", "thickness"),
    "linear_density": ("linear density", "mass per length", "mu", "weight per length"),
    "bending_stiffness": ("bending stiffness", "ei", "flexural rigidity"),
    "axial_stiffness": ("axial stiffness", "ea"),
    "width": ("width",),
}
_BY_WORD = {word: means for means, words in _MEANS.items() for word in words}
_BRACKETS = re.compile(r"^\s*(.*?)\s*(?:\[([^\[\]]*)\]|\(([^()]*)\))\s*$")
_ENDING = re.compile(r"^(.+?)[ _./](m|mm|cm|um|s|ms|us|px|pixel|kg/m|g/m|g/km|tex|in)$")
_AXIS = re.compile(r"^(.+?)[ _.:\-]+(?:pos[ _.:\-]*)?([xyzuvXYZUV])$")


@dataclass(frozen=True)
class Heading:
    """One column's heading, understood."""

    text: str
    """As it stands in the file."""
    name: str
    """Without its unit."""
    unit: str | None
    means: str | None
    """A key of `DIMENSIONS`, or marker, feature, front; None where it is not understood."""
    label: str | None = None
    """Of which marker or feature it is one coordinate."""


def understood(text: str) -> Heading:
    """What a heading such as `time [s]`, `Station (mm)`, `x_mm` or `M01 X [mm]` says."""
    name, unit = text.strip(), None
    if match := _BRACKETS.match(name):
        name = match.group(1)
        unit = (match.group(2) or match.group(3) or "").strip() or None
    elif match := _ENDING.match(name):
        stem = match.group(1)
        if _plain(stem) in _BY_WORD or _AXIS.match(stem):
            name, unit = stem, match.group(2)
    if name.endswith("_sd") and _BY_WORD.get(_plain(name[:-3])) in DIMENSIONS:
        return Heading(text, name, unit, f"{_BY_WORD[_plain(name[:-3])]}_sd")
    means = _BY_WORD.get(_plain(name))
    if means is None and (match := _AXIS.match(name)):
        return Heading(text, name, unit, match.group(2).lower(), match.group(1).strip())
    return Heading(text, name, unit, means)


def dimension(means: str | None) -> str | None:
    """The dimension of a meaning; None for text and for what is not understood."""
    return None if means is None else DIMENSIONS.get(means.removesuffix("_sd"))


def usable_unit(unit: str | None, means: str | None) -> bool:
    """Whether a unit is one of the meaning's dimension."""
    kind = dimension(means)
    if unit is None or kind is None:
        return True
    try:
        factor(unit, kind)
    except UnitError:
        return False
    return True


def _plain(name: str) -> str:
    return re.sub(r"[\s_.\-]+", " ", name).strip().lower()
