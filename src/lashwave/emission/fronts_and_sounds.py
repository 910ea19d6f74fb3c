"""What the line sent out: births of the fronts that cameras saw, and sounds that were heard."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.emission.birth import Birth, birth
from lashwave.emission.cone import cone
from lashwave.emission.flanks import joined
from lashwave.emission.front_speed import normal_speed
from lashwave.emission.sound_delays import sounds_heard
from lashwave.instruments import project_jacobian
from lashwave.mechanics import overpressure_of_speed
from lashwave.quantities import (
    Answer,
    Camera,
    Draws,
    FrontBirths,
    Moments,
    NotConvergedError,
    Trial,
    from_draws,
)

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


MOST_DRAWS = 40
"""Of the motion, that a front's cone is held against."""
FEWEST_POINTS = 150
"""Of a front that is believed: dust and warm air make shorter ones."""


def emitted(
    trial: Trial, draws: Draws, moments: Moments
) -> tuple[dict[str, Answer], dict[str, FrontBirths], list[str]]:
    """Answers beyond the motion: `shock_birth_time:CAMERA`, `shock_birth_station:CAMERA`, those of
    `front_answers` and of `sounds_heard`.

    Returns
    -------
    answers
    births : by camera, of each draw.
    warnings
    """
    sound = moments.sound
    answers: dict[str, Answer] = {}
    births: dict[str, FrontBirths] = {}
    warnings: list[str] = []
    for camera in trial.cameras:
        if camera.fronts is not None and camera.fronts.frame.size:
            flanks = flanks_of(camera, draws, sound)
            origin, said = birth_of(camera, flanks, draws, sound)
            if origin is not None:
                answers[f"shock_birth_time:{camera.name}"] = from_draws(origin.time, "s")
                answers[f"shock_birth_station:{camera.name}"] = from_draws(origin.station, "m")
                births[camera.name] = FrontBirths(origin.time, origin.delay)
            if flanks:
                few = _some(draws, MOST_DRAWS)
                answers |= front_answers(camera, flanks[0], few, sound, trial.air.pressure)
            warnings += [f"front in camera {camera.name}: {text}" for text in said]
    found, said = sounds_heard(trial, draws, moments.sonic, sound)
    return answers | found, births, [*warnings, *said]


def flanks_of(camera: Camera, draws: Draws, sound: tuple[float, float]) -> tuple[int, ...]:
    """Numbers of a camera's front, the longest first; none where none is long enough.

    Where the motion sends no front that flanks could be joined by it is the longest: of the flanks
    of one wave that one is seen from its beginning, and furthest.
    """
    assert camera.fronts is not None
    number, points = np.unique(camera.fronts.number, return_counts=True)
    if points.max() < FEWEST_POINTS:
        return ()
    return joined(camera.fronts, camera, draws, *sound) or (int(number[points.argmax()]),)


def birth_of(
    camera: Camera, flanks: tuple[int, ...], draws: Draws, sound: tuple[float, float]
) -> tuple[Birth | None, list[str]]:
    """The birth of a camera's front in each draw, and what is to be said of it."""
    assert camera.fronts is not None
    if not flanks:
        return None, ["none is long enough to say where it began"]
    # A tip that passes the speed of sound stays above it for a while: spheres about its way. Where
    # no draw does so within the view, one sphere is left.
    try:
        origin = birth(camera.fronts, flanks, camera, draws, *sound, model="envelope")
    except NotConvergedError:
        try:
            origin = birth(camera.fronts, flanks, camera, draws, *sound, model="burst")
        except NotConvergedError as problem:
            return None, [str(problem)]
    said = list(origin.notes)
    if origin.model == "burst":
        said.append(
            "no draw of the motion is supersonic across the view: what is seen was taken for one "
            "sphere, sent at one moment, and may be a pressure wave that never was a shock"
        )
    if origin.misfit > 3.0:
        said.append(
            f"fits the {origin.model} that the motion sends out within {origin.misfit:.1f} of its "
            "standard deviations only; when and where it began is less sure than its interval"
        )
    return origin, said


def _some(draws: Draws, count: int) -> Draws:
    """The first draws alone."""
    return replace(
        draws,
        position=draws.position[:count],
        velocity=draws.velocity[:count],
        tension=draws.tension[:count],
        hand_force=draws.hand_force[:count],
        hand_power=draws.hand_power[:count],
        kinetic_energy=draws.kinetic_energy[:count],
        shared={name: values[:count] for name, values in draws.shared.items()},
    )
