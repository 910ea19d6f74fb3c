"""Pictures and sound of a made trial, and the truth of what should be found in them.

The trial that comes out has the same motion and instruments, seen from nearer: each fast camera's
record is cut to some frames about the peak of the tip's speed, counted from 0 again, its clock and
points moved along with it; infrared cameras and a microphone are added. So the points of that
trial, the images and the truth all count frames alike.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from lashwave.instruments import (
    ImageGrid,
    SoundSource,
    arrival,
    draw_backdrop,
    draw_strands,
    envelope,
    exposed,
    flash_frames,
    frame_at,
    in_view,
    pile_ups,
    project,
    recorded,
)
from lashwave.quantities import Array, Camera, Clock, Microphone, Trial
from lashwave.twin.film import (
    DotScene,
    DrawnTuft,
    InfraredFilm,
    SchlierenFilm,
    Stage,
    centres,
)
from lashwave.twin.instrument_setting import Recording, Setting, stand_around
from lashwave.twin.truth import TrueMotion, Truth
from lashwave.twin.views import MARKER_RATE

LOUD_END, DECAY = 12e-3, 4e-3
"""The stretch at the far end that sends out sound, and how its strength falls off [m]; invented:
how a tapered end sounds is not known."""
POINTS = 10
"""Of that stretch: 1.2 mm apart, which a front's thickness of 0.7 mm smooths to 0.3 %. Where they
reach the speed of sound one well after the other, as on a line that only turns, each draws a faint
rear front of its own, some pixels from the next."""
QUIET = 0.7
"""Mach number under which a point is taken to be silent."""
STEP = 0.8e-6
"""Between emission times [s]: at Mach 2 the rings then lie at most 0.8 mm apart."""


@dataclass(frozen=True)
class BenchPictures:
    """What the bench's cameras and microphone recorded."""

    trial: Trial
    """With points counted as in the images, and with infrared cameras and microphones."""
    truth: Truth
    """Clock offsets as they are for these frame numbers."""
    fast: tuple[SchlierenFilm, ...]
    infrared: tuple[InfraredFilm, ...]
    sound: tuple[Recording, ...]
    found: dict[str, Any]
    """What should be found: plain lists and numbers, see `found_in_pictures`."""


def take(trial: Trial, truth: Truth, setting: Setting | None = None) -> BenchPictures:
    """Pictures and sound of a throw or swing from `lashwave.twin.make`.

    Raises
    ------
    ValueError
        Where labels were swapped: pictures hold no labels.
    """
    setting = Setting() if setting is None else setting
    if truth.notes["swapped"].any():
        raise ValueError("pictures of a trial with swapped labels")
    path, seed = truth.path, truth.scene.seed
    rng = np.random.default_rng([seed, 11])
    sound = float(truth.answers["speed_of_sound"] or 0.0)
    speed = np.linalg.norm(path.velocity[:, -1], axis=-1)
    peak = float(path.time[int(speed.argmax())])
    trial, truth, counts = _cut(trial, truth, peak, setting.frames)
    tip = sound_source(path, sound, setting.crack, np.zeros(1))
    end = sound_source(path, sound, setting.crack, LOUD_END * (np.arange(POINTS) + 0.5) / POINTS)
    tuft = _draw_tuft(trial, peak, rng)
    flashes = np.arange(0.0, path.time[-1] + 1e-9, 1 / MARKER_RATE)
    fast = []
    for k, (camera, count) in enumerate(zip(trial.cameras, counts, strict=True)):
        backdrop = draw_backdrop(camera.size, rng, wind=tuple(rng.normal(0.0, 2e3, 2)))
        stage = Stage(path, truth.scene.lash.true, tuft, end, sound, backdrop, flashes)
        true = _as_it_stands(camera, truth)
        drift = truth.notes[f"clock_drift:{camera.name}"]
        fast.append(SchlierenFilm(true, drift, stage, setting, count, (seed, 12, k)))
    scene = _dots(trial, truth, rng)
    ring = stand_around(truth.notes["place"].reshape(-1, 3), setting, MARKER_RATE, rng)
    infrared = tuple(InfraredFilm(c, scene, setting, (seed, 13, k)) for k, c in enumerate(ring))
    heard = _listen(path, end, peak, sound, setting, rng, seed)
    microphones = tuple(
        Microphone(f"{h.name}.wav", h.position, h.hearing.sensitivity, h.clock.offset,
                   h.clock.offset_sd, h.name, recorder=h.recorder)
        for h in heard
    )  # fmt: skip
    trial = replace(trial, cameras=(*trial.cameras, *ring), microphones=microphones)
    found = found_in_pictures(trial, truth, tuple(fast), infrared, heard, tip)
    return BenchPictures(trial, truth, tuple(fast), infrared, heard, found)


def _cut(
    trial: Trial, truth: Truth, peak: float, wanted: int
) -> tuple[Trial, Truth, tuple[int, ...]]:
    """Fast cameras' records from their first frame of the window on, counted from 0; how long."""
    cameras, answers, counts = [], dict(truth.answers), []
    end = float(truth.path.time[-1])
    for camera in trial.cameras:
        key = f"clock_offset:{camera.name}"
        offset, drift = answers[key] or 0.0, truth.notes[f"clock_drift:{camera.name}"]
        middle = int(np.rint(frame_at(camera.rate, np.array(peak), offset, drift)))
        first = max(0, middle - wanted // 2)
        last = int(frame_at(camera.rate, np.array(end - camera.exposure), offset, drift))
        counts.append(count := min(wanted, last - first + 1))
        answers[key] = offset + (1.0 + drift) * first / camera.rate
        keep = (camera.frame >= first) & (camera.frame < first + count)
        flashes = camera.flashes
        if flashes.size:
            samples = np.arange(0, end, 1 / MARKER_RATE)
            flashes = flash_frames(camera.rate, samples, count, float(answers[key] or 0.0), drift)
        clock = replace(camera.clock, offset=camera.clock.offset + first / camera.rate)
        cameras.append(
            replace(
                camera, clock=clock, flashes=flashes, frame=camera.frame[keep] - first,
                station=camera.station[keep], uv=camera.uv[keep], point_sd=camera.point_sd[keep],
            )
        )  # fmt: skip
    cut = replace(trial, cameras=tuple(cameras))
    return cut, replace(truth, answers=answers), tuple(counts)


def _as_it_stands(camera: Camera, truth: Truth) -> Camera:
    """The camera with its true registration and clock offset."""
    projection = np.array(camera.projection, dtype=float)
    for row, axis in enumerate("uv"):
        projection[row, 3] += float(truth.answers[f"registration_{axis}:{camera.name}"] or 0.0)
    offset = float(truth.answers[f"clock_offset:{camera.name}"] or 0.0)
    return replace(camera, projection=projection, clock=Clock(offset, 0.0))


def sound_source(path: TrueMotion, sound: float, crack: float, back: Array) -> SoundSource | None:
    """Points at distances `back` (S,) [m] from the far end as a source of wavelets.

    Strength is crack * [(M^2 - q^2) / (1 - q^2)]^2 with q = 0.7, nothing under q, shared among the
    points: with the fourth power of the speed where it is loud, and set in softly, so that no
    wavelet stands out. An order, no more. None where the far end stays under q.
    """
    speed = np.linalg.norm(path.velocity[:, -1], axis=-1)
    loud = np.flatnonzero(speed > QUIET * sound)
    if loud.size < 2:
        return None
    start, end = path.time[max(loud[0] - 1, 0)], path.time[loud[-1]]
    times = np.repeat(np.arange(start, end - STEP, STEP)[:, None], back.size, axis=1)
    if back.size > 1:  # each wavelet at its own moment, lest rings and cells beat
        times += STEP * np.random.default_rng(0).random(times.shape)
    seen = [path.at(times[:, k], path.station[-1:] - d) for k, d in enumerate(back)]
    place, velocity = (np.concatenate(part, axis=1) for part in zip(*seen, strict=True))
    mach = np.linalg.norm(velocity, axis=-1) / sound
    size = (np.maximum(mach**2 - QUIET**2, 0.0) / (1.0 - QUIET**2)) ** 2
    share = np.exp(-back / DECAY)
    return SoundSource(times, place, crack * size * share / share.sum())


def _draw_tuft(trial: Trial, peak: float, rng: np.random.Generator) -> DrawnTuft | None:
    """Strands at the end of a line that has a tuft; size invented."""
    if trial.line.tuft is None:
        return None
    length, wide = rng.uniform(15e-3, 28e-3), rng.uniform(8e-3, 14e-3)
    return DrawnTuft(draw_strands(rng), length, rng.uniform(2e-3, 4e-3), wide, peak)


def _dots(trial: Trial, truth: Truth, rng: np.random.Generator) -> DotScene:
    """Dots as the trial's own marker record has them: seen markers, ghosts, unlabelled points."""
    markers, path, ghost = trial.markers, truth.path, truth.notes["ghost"]
    station = np.nan_to_num(markers.station)
    lash = truth.scene.lash
    station[: lash.station.size] = lash.station
    axis = path.at(markers.time, station)[0]
    present = np.isfinite(markers.position).all(axis=-1)
    stray = []
    false = np.asarray(present & ghost)
    for moment, here, places in zip(markers.time, false, markers.position, strict=True):
        loose = np.abs(markers.unlabelled_time - moment) < 0.25 / MARKER_RATE
        stray.append(np.concatenate([places[here], markers.unlabelled_position[loose]]))
    bright = rng.uniform(0.7, 1.4, station.size)
    offset = truth.notes["place"] - axis
    return DotScene(path, markers.time, station, offset, present & ~ghost, tuple(stray), bright)


def _listen(
    path: TrueMotion,
    source: SoundSource | None,
    peak: float,
    sound: float,
    setting: Setting,
    rng: np.random.Generator,
    seed: int,
) -> tuple[Recording, ...]:
    """A microphone ahead of the tip as it cracks, a little beside its way.

    More are spread about its way, on the same recorder, 25 to 60 degrees off.
    """
    place, velocity = path.at(np.array([peak]), path.station[-1:])
    ahead = velocity[0, 0] / np.linalg.norm(velocity[0, 0])
    aside = rng.normal(0.0, 0.12, 3)
    toward = ahead + aside
    position = place[0, 0] + setting.microphone_distance * toward / np.linalg.norm(toward)
    hearing = setting.hearing
    stated = float(np.round(rng.uniform(-0.02, 0.0), 4))
    first = stated + float(rng.normal(0.0, setting.clock_sd))
    count = int((path.time[-1] - first) * hearing.rate)
    if source is None:
        still = np.zeros((2, 1, 3))
        source = SoundSource(np.array([[0.0], [1.0]]), still, np.zeros((2, 1)))
    volts = recorded(source, position, hearing, first, count, sound, rng)
    clock, shared = Clock(stated, setting.clock_sd), "recorder" if setting.microphones > 1 else None
    heard = [Recording("mic1", position, hearing, clock, first, volts, shared)]
    others = np.random.default_rng([seed, 14])
    right = np.cross(ahead, [0.0, 0.0, 1.0] if abs(ahead[2]) < 0.9 else [1.0, 0.0, 0.0])
    right /= np.linalg.norm(right)
    up = np.cross(right, ahead)
    for k in range(1, setting.microphones):
        turn, off = 2.4 * k + others.uniform(-0.2, 0.2), np.radians(others.uniform(25.0, 60.0))
        toward = np.cos(off) * ahead + np.sin(off) * (np.cos(turn) * right + np.sin(turn) * up)
        position = place[0, 0] + setting.microphone_distance * others.uniform(0.8, 1.4) * toward
        volts = recorded(source, position, hearing, first, count, sound, others)
        heard.append(Recording(f"mic{k + 1}", position, hearing, clock, first, volts, shared))
    return tuple(heard)


def found_in_pictures(
    trial: Trial,
    truth: Truth,
    fast: tuple[SchlierenFilm, ...],
    infrared: tuple[InfraredFilm, ...],
    sound: tuple[Recording, ...],
    source: SoundSource | None,
) -> dict[str, Any]:
    """The truth of what pictures and sound show, as plain lists and numbers.

    `dots`: camera, frame, u, v (centroid over the exposure), streak [px], label ("" for a
    reflection). `tip`: camera, frame, u, v of the line's end, beyond which its tuft stands, where
    it is in view. `tuft`: camera, frame, width [m] between the outermost strands' ends. `flashes`:
    camera -> frames nearest to a flash. `fronts`: camera, frame, side (0 left, 1 right), emission
    time [s], u, v: the exact envelope of the tip's own wavelets, bow and rear; the middle of what
    is seen lies 0.76 thicknesses inside (see `schlieren.front_light`), and fades beyond its ends.
    `birth`: time [s], station and place [m] at which the line first moves at the speed of sound.
    `onsets`: microphone, true clock offset [s], arrivals [s] of the tip's fronts (lab clock;
    wavelets pile up), and `from_birth`, when a wavelet from the birth arrives.
    """
    found: dict[str, Any] = {"dots": [], "tip": [], "tuft": [], "flashes": {}, "fronts": []}
    for film in infrared:
        for frame in range(len(film)):
            names = [trial.markers.labels[i] for i in np.flatnonzero(film.scene.seen[frame])]
            names += [""] * len(film.scene.stray[frame])
            uv, streak = centres(film, frame)
            here = in_view(film.camera, uv)
            rows = zip(uv[here], streak[here], np.flatnonzero(here), strict=True)
            found["dots"] += [
                [film.camera.name, frame, *point.tolist(), float(long), names[d]]
                for point, long, d in rows
            ]
    for view in fast:
        _found_fast(view, truth, source, found)
    found["birth"] = _birth(truth, fast)
    found["onsets"] = [_onset(heard, source, found["birth"], fast) for heard in sound]
    return found


def _found_fast(
    film: SchlierenFilm, truth: Truth, source: SoundSource | None, found: dict[str, Any]
) -> None:
    """Add what one fast camera's images show."""
    camera, path = film.camera, truth.path
    frames = np.arange(len(film))
    times = film.times(frames.astype(float))
    tip = path.station[-1:]
    uv = exposed(camera, times, lambda t: path.at(t, tip)[0][:, 0])
    seen = in_view(camera, uv)
    found["tip"] += [
        [camera.name, int(f), *point.tolist()]
        for f, point in zip(frames[seen], uv[seen], strict=True)
    ]
    if film.stage.tuft is not None:
        widths = film.stage.tuft.width(times[seen])
        found["tuft"] += [
            [camera.name, int(f), float(w)] for f, w in zip(frames[seen], widths, strict=True)
        ]
    flashes = flash_frames(
        camera.rate, film.stage.flashes, len(film), camera.clock.offset, film.drift
    )
    found["flashes"][camera.name] = flashes.tolist()
    if source is None:
        return
    grid = ImageGrid(np.asarray(camera.projection, dtype=float), camera.size[::-1])
    for frame, time in zip(frames, times, strict=True):
        tau, points = envelope(source, grid, float(time), film.stage.sound)
        for side in (0, 1):
            here = in_view(camera, points[:, side])
            here &= np.arange(tau.size) % 2 == 0  # every 1.6 us of emission
            found["fronts"] += [
                [camera.name, int(frame), side, float(t), *point.tolist()]
                for t, point in zip(tau[here], points[here, side], strict=True)
            ]


def _birth(truth: Truth, fast: tuple[SchlierenFilm, ...]) -> dict[str, Any] | None:
    """Where and when the line first moves at the speed of sound."""
    time, station = truth.answers["sonic_time"], truth.answers["sonic_station"]
    if time is None or station is None:
        return None
    place = truth.path.at(np.array([time]), np.array([station]))[0][0, 0]
    seen = {film.camera.name: project(film.camera, place).tolist() for film in fast}
    return {"time": time, "station": station, "place": place.tolist(), "uv": seen}


def _onset(
    heard: Recording,
    source: SoundSource | None,
    birth: dict[str, Any] | None,
    fast: tuple[SchlierenFilm, ...],
) -> dict[str, Any]:
    """True arrivals at a microphone."""
    sound = fast[0].stage.sound if fast else 0.0
    out: dict[str, Any] = {"microphone": heard.name, "clock_offset": heard.true_offset}
    out["arrivals"], out["from_birth"] = [], None
    if source is not None and sound:
        arrive = arrival(source, heard.position, sound)[0][:, 0]
        out["arrivals"] = sorted(pile_ups(source.time[:, 0], arrive)[1].tolist())
    if birth is not None and sound:
        away = float(np.linalg.norm(np.array(birth["place"]) - heard.position))
        out["from_birth"] = birth["time"] + away / sound
    return out
