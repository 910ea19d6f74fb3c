"""C3D files as two open readers, c3d and ezc3d, see them: they share no code with ours."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import c3d
import ezc3d
import numpy as np


@dataclass(frozen=True)
class Seen:
    """A file's points as the package c3d gives them."""

    labels: list[str]
    rate: float
    first: int
    """Number of the first frame."""
    points: np.ndarray
    """(F, P, 5): x, y, z in the file's unit, residual (negative: not seen), cameras."""


def by_c3d(path: Path) -> Seen:
    with path.open("rb") as stream:
        reader = c3d.Reader(stream)
        frames = [(number, points.copy()) for number, points, _ in reader.read_frames()]
        labels = [str(label).strip() for label in reader.point_labels]
        points = np.stack([p for _, p in frames])
        return Seen(labels, float(reader.point_rate), int(frames[0][0]), points)


def residuals_by_ezc3d(path: Path) -> np.ndarray:
    """(F, P) residuals in the file's unit."""
    return np.asarray(ezc3d.c3d(str(path))["data"]["meta_points"]["residuals"])[0].T
