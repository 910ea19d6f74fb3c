"""A line for small sums."""

from __future__ import annotations

import numpy as np

from lashwave.mechanics.chain import build
from lashwave.quantities.line import Line, Tuft


def lash(tuft: float = 0.0):
    """Ten links of a tapered line with a grip, two markers and, if wanted, a tuft."""
    line = Line(
        np.array([0.0, 1.0]), np.array([6e-3, 2e-3]), np.array([0.03, 0.004]),
        np.array([1e-3, 1e-5]), handle_length=0.2,
        tuft=Tuft(1e-5, 1e-6, tuft) if tuft else None,
    )  # fmt: skip
    station = np.concatenate([[0.0], np.linspace(0.2, 1.0, 10)])
    return build(line, station, line.bending_stiffness, np.array([0.1, 0.55]), np.full(2, 2e-4),
                 np.full(2, 3e-3))  # fmt: skip
