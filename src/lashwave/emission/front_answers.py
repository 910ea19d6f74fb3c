"""What a front says by itself: its speed, the pressure behind it, the Mach number by its cone."""

from __future__ import annotations

import numpy as np

from lashwave.emission.cone import cone
from lashwave.emission.front_speed import normal_speed
from lashwave.instruments.camera import project_jacobian
from lashwave.mechanics.shock import overpressure_of_speed
from lashwave.quantities.answer import Answer
from lashwave.quantities.fit import Draws
from lashwave.quantities.sightings import Camera

SPREAD = 0.01
"""A view's scale may differ by this share between its directions."""


def front_answers(
    camera: Camera, number: int, draws: Draws, sound: tuple[float, float], pressure: float
) -> dict[str, Answer]:
    """`shock_speed:CAMERA`, `shock_overpressure:CAMERA`, `mach_from_cone:CAMERA`, of one front.

    Parameters
    ----------
    sound : speed of sound ahead of the front and its sd [m/s]; pressure : there [Pa].
    """
    units = {"shock_speed": "m s-1", "shock_overpressure": "Pa", "mach_from_cone": "1"}
    names = {stem: f"{stem}:{camera.name}" for stem in units}

    def none(reason: str) -> dict[str, Answer]:
        return {names[s]: Answer(None, units[s], reason=reason) for s in units}

    if np.any(np.asarray(camera.projection)[2, :3] != 0.0):
        return none("the view is not in parallel light: an outline is no cut through the front")
    low, high = np.linalg.svd(project_jacobian(camera, np.zeros(3)), compute_uv=False)[[1, 0]]
    if high > (1.0 + SPREAD) * low:
        return none("the view's scale differs between its directions")
    metre = camera.rate / (0.5 * (low + high))
    assert camera.fronts is not None
    seen = normal_speed(camera.fronts, number, sound[0] / metre)
    found = none("the front could not be followed from one frame to the next")
    if seen is not None:
        speed, speed_sd = seen.value * metre, seen.sd * metre
        found[names["shock_speed"]] = _normal(speed, speed_sd, "m s-1")
        rise = overpressure_of_speed(speed, speed_sd, *sound, pressure)
        found[names["shock_overpressure"]] = (
            Answer(None, "Pa", reason=rise.reason)
            if rise.value is None
            else _normal(rise.value, rise.sd, "Pa")
        )
    angle = cone(camera, number, draws, sound[0])
    found[names["mach_from_cone"]] = (
        Answer(None, "1", reason=angle.reason)
        if angle.reason is not None
        else _normal(angle.mach, angle.sd, "1")
    )
    return found


def _normal(value: float, sd: float, unit: str) -> Answer:
    return Answer(value, unit, sd, value - 1.96 * sd, value + 1.96 * sd)
