"""The fitted scale factors of the line's law."""

from __future__ import annotations

from collections.abc import Mapping
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

    @classmethod
    def scaled(cls, scale: Mapping[str, float]) -> Law:
        """The law of scales fitted over stated, by name; an absent one is as stated."""
        return cls(
            drag_normal=scale.get("drag_normal", 1.0),
            drag_tangential=scale.get("drag_tangential", 1.0),
            drag_tuft=scale.get("drag_tuft", 1.0),
            stiffness_scale=scale.get("stiffness_scale", 1.0),
            damping_time=cls.damping_time * scale.get("damping_time", 1.0),
        )
