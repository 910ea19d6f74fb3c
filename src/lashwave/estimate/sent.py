"""What the line sent out: births of the fronts that cameras saw, and sounds that were heard."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate.birth import birth
from lashwave.estimate.sound_place import arrival
from lashwave.instruments.camera import project
from lashwave.instruments.clock import frame_time
from lashwave.quantities.answer import Answer, from_draws
from lashwave.quantities.errors import NotConvergedError
from lashwave.quantities.fit import Draws
from lashwave.quantities.motion import interpolate
from lashwave.quantities.sightings import Camera, Fronts
from lashwave.quantities.trial import Trial

Array = NDArray[np.float64]

MOST_DRAWS = 40
"""A birth is fitted to each, a third of a second apiece."""
FEWEST_POINTS = 150
"""Of a front that is believed: dust and warm air make shorter ones."""


@dataclass(frozen=True)
class Sonic:
    """The first sonic moment of each draw, nan where it has none."""

    time: Array
    """(D,) [s]"""
    station: Array
    """(D,) [m]"""


def sent(
    trial: Trial, draws: Draws, sonic: Sonic, sound: tuple[float, float]
) -> tuple[dict[str, Answer], list[str]]:
    """Answers beyond the motion: `front_birth_time:CAMERA`, `front_birth_station:CAMERA`, and
    `sound_delay:MICROPHONE`, by which a sound came later than the first sonic moment lets expect.

    Parameters
    ----------
    sound : speed of sound and its standard deviation [m/s].

    Returns the answers, and warnings.
    """
    answers: dict[str, Answer] = {}
    warnings: list[str] = []
    for camera in trial.cameras:
        if camera.fronts is not None and camera.fronts.frame.size:
            found, said = _birth(camera, draws, sonic, sound)
            answers |= found
            warnings += [f"front in camera {camera.name}: {text}" for text in said]
    answers |= _delays(trial, draws, sonic, sound)
    return answers, warnings


def _birth(
    camera: Camera, draws: Draws, sonic: Sonic, sound: tuple[float, float]
) -> tuple[dict[str, Answer], list[str]]:
    assert camera.fronts is not None
    number = outermost(camera, camera.fronts, draws, sonic, sound[0])
    if number is None:
        return {}, ["none is long enough to say where it was born"]
    few = _some(draws, MOST_DRAWS)
    try:
        born = birth(camera.fronts, number, camera, few, *sound)
    except NotConvergedError as problem:
        return {}, [str(problem)]
    answers = {
        f"front_birth_time:{camera.name}": from_draws(born.time, "s"),
        f"front_birth_station:{camera.name}": from_draws(born.station, "m"),
    }
    said = list(born.notes)
    if born.misfit > 3.0:
        said.append(
            f"fits the {born.model} that the motion sends out within {born.misfit:.1f} of its "
            "standard deviations only; when and where it was born is less sure than its interval"
        )
    return answers, said


def outermost(
    camera: Camera, fronts: Fronts, draws: Draws, sonic: Sonic, sound: float
) -> int | None:
    """The number of the front that has gone furthest, for its age, from where it must have begun.

    One wave shows as two or three flanks, light and dark; the outer one is the front itself.
    """
    if not np.isfinite(sonic.time).any():
        return None
    time, station = float(np.nanmedian(sonic.time)), float(np.nanmedian(sonic.station))
    s = int(np.abs(draws.station - station).argmin())
    track = np.median(draws.position[:, :, [s]], axis=0).astype(float)
    speed = np.median(draws.velocity[:, :, [s]], axis=0).astype(float)
    place = interpolate(draws.time, track, speed, np.array([time]))[0][0, 0]
    centre = project(camera, place)
    scale = float(np.linalg.norm(camera.projection[0, :3]))  # parallel light
    clock = draws.shared.get(f"clock_offset:{camera.name}")
    offset = camera.clock.offset if clock is None else float(np.median(clock))
    age = frame_time(camera.rate, fronts.frame, offset) - time
    ahead = np.linalg.norm(fronts.uv - centre, axis=1) / scale - sound * age
    best: tuple[float, int] | None = None
    for number in np.unique(fronts.number):
        own = fronts.number == number
        if own.sum() < FEWEST_POINTS or not (age[own] > 0).any():
            continue
        reach = float(np.median(ahead[own & (age > 0)]))
        if best is None or reach > best[0]:
            best = (reach, int(number))
    return None if best is None else best[1]


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


def _delays(
    trial: Trial, draws: Draws, sonic: Sonic, sound: tuple[float, float]
) -> dict[str, Answer]:
    """Onsets less the arrivals predicted from the first sonic moment."""
    places = np.full((sonic.time.size, 3), np.nan)
    for d in np.flatnonzero(np.isfinite(sonic.time)):
        s = int(np.abs(draws.station - sonic.station[d]).argmin())
        track = draws.position[d][:, [s]].astype(float), draws.velocity[d][:, [s]].astype(float)
        places[d] = interpolate(draws.time, *track, np.array([sonic.time[d]]))[0][0, 0]
    answers = {}
    for onset in trial.onsets:
        microphone = next(m for m in trial.microphones if m.file == onset.microphone)
        name = f"sound_delay:{microphone.name or microphone.file}"
        heard = arrival(onset.time, onset.sd, microphone.position, sonic.time, places, *sound)
        if heard is None or name in answers:
            continue
        half = 1.96 * heard.sd
        answers[name] = Answer(
            heard.difference, "s", heard.sd, heard.difference - half, heard.difference + half
        )
    return answers
