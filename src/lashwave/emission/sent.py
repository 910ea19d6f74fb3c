"""What the line sent out: births of the fronts that cameras saw, and sounds that were heard."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.emission.birth import Birth, birth
from lashwave.emission.front_answers import front_answers
from lashwave.emission.heard import Sonic, heard
from lashwave.emission.joined import joined
from lashwave.quantities.answer import Answer, from_draws
from lashwave.quantities.errors import NotConvergedError
from lashwave.quantities.fit import Draws, FrontBirths
from lashwave.quantities.sightings import Camera
from lashwave.quantities.trial import Trial

MOST_DRAWS = 40
"""Of the motion, that a front's cone is held against."""
FEWEST_POINTS = 150
"""Of a front that is believed: dust and warm air make shorter ones."""


def sent(
    trial: Trial, draws: Draws, sonic: Sonic, sound: tuple[float, float]
) -> tuple[dict[str, Answer], dict[str, FrontBirths], list[str]]:
    """Answers beyond the motion: `shock_birth_time:CAMERA`, `shock_birth_station:CAMERA`, those of
    `front_answers` and of `heard`.

    Parameters
    ----------
    sound : speed of sound and its standard deviation [m/s].

    Returns
    -------
    answers
    births : by camera, of each draw.
    warnings
    """
    answers: dict[str, Answer] = {}
    births: dict[str, FrontBirths] = {}
    warnings: list[str] = []
    for camera in trial.cameras:
        if camera.fronts is not None and camera.fronts.frame.size:
            flanks = flanks_of(camera, draws, sound)
            born, said = born_of(camera, flanks, draws, sound)
            if born is not None:
                answers[f"shock_birth_time:{camera.name}"] = from_draws(born.time, "s")
                answers[f"shock_birth_station:{camera.name}"] = from_draws(born.station, "m")
                births[camera.name] = FrontBirths(born.time, born.delay)
            if flanks:
                few = _some(draws, MOST_DRAWS)
                answers |= front_answers(camera, flanks[0], few, sound, trial.air.pressure)
            warnings += [f"front in camera {camera.name}: {text}" for text in said]
    found, said = heard(trial, draws, sonic, sound)
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


def born_of(
    camera: Camera, flanks: tuple[int, ...], draws: Draws, sound: tuple[float, float]
) -> tuple[Birth | None, list[str]]:
    """The birth of a camera's front in each draw, and what is to be said of it."""
    assert camera.fronts is not None
    if not flanks:
        return None, ["none is long enough to say where it was born"]
    # A tip that passes the speed of sound stays above it for a while: spheres about its way. Where
    # no draw does so within the view, one sphere is left.
    try:
        born = birth(camera.fronts, flanks, camera, draws, *sound, model="envelope")
    except NotConvergedError:
        try:
            born = birth(camera.fronts, flanks, camera, draws, *sound, model="burst")
        except NotConvergedError as problem:
            return None, [str(problem)]
    said = list(born.notes)
    if born.model == "burst":
        said.append(
            "no draw of the motion is supersonic across the view: what is seen was taken for one "
            "sphere, sent at one moment, and may be a pressure wave that never was a shock"
        )
    if born.misfit > 3.0:
        said.append(
            f"fits the {born.model} that the motion sends out within {born.misfit:.1f} of its "
            "standard deviations only; when and where it was born is less sure than its interval"
        )
    return born, said


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
