"""The fitted scale factors of the line's law."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Law:
    """Scale factors of the modelled forces, and the damping time of bending."""

    drag_normal: float = 1.0
    drag_tangential: float = 1.0
    drag_tuft: float = 1.0
    stiffness_scale: float = 1.0
    damping_time: float = 2e-3
    """Kelvin-Voigt: bending couple = B (curvature + time * its rate) [s]."""
