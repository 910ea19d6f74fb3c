"""What did the fit find for clocks, images, drag, stiffness and damping?"""

from __future__ import annotations

from lashwave.quantities import Answer, Fit, Trial, from_draws

OF_CAMERA = {"clock_offset": "s", "registration_u": "px", "registration_v": "px"}
OF_LINE = ("drag_normal", "drag_tangential", "drag_tuft", "stiffness_scale", "damping_time")
"""Fitted over stated."""


def answers(trial: Trial, fit: Fit) -> dict[str, Answer]:
    """One answer a shared parameter of the register; null where it was not part of the fit."""
    found = {
        f"{name}:{camera.name}": _one(fit, f"{name}:{camera.name}", unit)
        for camera in trial.cameras
        for name, unit in OF_CAMERA.items()
    }
    return found | {name: _one(fit, name, "1", _absent(trial, name)) for name in OF_LINE}


def _absent(trial: Trial, name: str) -> str:
    if name == "drag_tuft" and trial.line.tuft is None:
        return "the line has no tuft"
    return "not part of this fit"


def _one(fit: Fit, name: str, unit: str, absent: str = "not part of this fit") -> Answer:
    """From the draws, or from the fit's value and standard deviation where they lack it."""
    if name in fit.draws.shared:
        return from_draws(fit.draws.shared[name], unit)
    if name in fit.shared:
        value, sd = fit.shared[name]
        half = 1.959964 * sd
        return Answer(value, unit, sd, value - half, value + half)
    return Answer(None, unit, reason=absent)
