"""Birth of a front: where on the line and when, jointly with the reconstructed motion.

For each posterior draw of the motion the front's points are fitted by the wavefront that a
station of that draw sends out (`wavefront`). Unknown are the station, the time, the speed of
sound, and a shift of the draw's path across the view; the shift (and for the envelope a delay of
the path) is held by the spread of the draws themselves, the speed of sound by what is known of
it, and the points are shaken by their own errors. The minimisers are draws of the joint
posterior: randomised maximum likelihood (Oliver, He and Reynolds 1996; Bardsley et al., SIAM J.
Sci. Comput. 36 (2014) A1895), exact where the motion's errors are Gaussian and act as one shift
while the front is sent. So the front also corrects the motion, by `shift`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtri

from lashwave.estimate.wavefront import (
    FINE,
    Path,
    burst_arrival,
    envelope_arrival,
    sonic_span,
)
from lashwave.instruments.camera import project_jacobian
from lashwave.instruments.clock import frame_time
from lashwave.instruments.rays import Rays, rays
from lashwave.quantities.errors import NotConvergedError
from lashwave.quantities.fit import Draws
from lashwave.quantities.sightings import Camera, Fronts

Array = NDArray[np.float64]

MOST_POINTS = 160
"""Points of a front used for each draw, evenly spread over them."""
LEAST_POINTS = 8
LEAST_SHIFT = 2e-4
"""[m]; a draw may shift by this in any case, as the detected flank may stand off the front."""
LEAST_DELAY = 1e-6
"""[s]"""


@dataclass(frozen=True)
class Birth:
    """Samples of where and when a front was born; D draws."""

    model: str
    """"burst": one sphere. "envelope": spheres of a source that stays supersonic for a while;
    its birth is the moment at which the station reaches the speed of sound across the view."""
    station: Array
    """(D,) [m]; all samples are nan in draws that have no such front."""
    time: Array
    """(D,) [s], lab clock of the draw"""
    place: Array
    """(D, 3) [m]"""
    shift: Array
    """(D, 3) [m], of the draw's path, across the view"""
    sound: Array
    """(D,) [m/s]"""
    misfit: float
    """Root mean square of front against wavefront over the points' sd, best of the draws; their
    sd was multiplied by it where it is over 1."""
    notes: tuple[str, ...] = ()

    @property
    def station_sd(self) -> float:
        """[m]"""
        return float(np.nanstd(self.station, ddof=1))

    @property
    def time_sd(self) -> float:
        """[s]"""
        return float(np.nanstd(self.time, ddof=1))


@dataclass(frozen=True)
class _Scene:
    """One draw, ready to be compared with the front."""

    path: Path
    rays: Rays
    time: Array
    """(N,) [s], lab time of the points in this draw"""
    sd: Array
    """(N,) [m]"""
    across: Array
    """(2, 3) unit vectors across the view"""
    sound: float
    sound_sd: float
    whiten: Array
    """(2, 2): shift [m] to standard deviations"""
    delay_sd: float
    noise: Array
    """(N,) [sd]"""


def birth(
    fronts: Fronts,
    number: int,
    camera: Camera,
    draws: Draws,
    sound: float,
    sound_sd: float,
    model: str = "auto",
    seed: int = 0,
) -> Birth:
    """Where and when front `number` of one camera was born.

    Parameters
    ----------
    fronts : points along the fronts, by frame.
    draws : of the motion; with `clock_offset:CAMERA` and `registration_u:CAMERA` where fitted.
    sound, sound_sd : speed of sound [m/s]; a large sd lets the front measure it.
    model : "burst", "envelope", or "auto", the one with the smaller misfit.

    Raises
    ------
    NotConvergedError : fewer than 8 points or 2 frames, or no draw in which the model has a front.
    """
    use = np.flatnonzero(fronts.number == number)
    if use.size < LEAST_POINTS or np.unique(fronts.frame[use]).size < 2:
        raise NotConvergedError(
            f"front {number} of {camera.name} has {use.size} points in "
            f"{np.unique(fronts.frame[use]).size} frames; a birth needs 8 points in 2 frames"
        )
    use = use[np.linspace(0, use.size - 1, min(use.size, MOST_POINTS)).round().astype(int)]
    seen = Fronts(fronts.frame[use], fronts.number[use], fronts.uv[use], fronts.sd[use])
    rng = np.random.default_rng(seed)
    scenes = _scenes(seen, camera, draws, sound, sound_sd, rng)
    tried = ("burst", "envelope") if model == "auto" else (model,)
    found = [b for b in (_of_model(m, scenes, rng) for m in tried) if b is not None]
    if not found:
        raise NotConvergedError(
            f"front {number} of {camera.name}: no draw of the motion is supersonic across the view"
        )
    best = min(found, key=lambda b: b.misfit)
    others = [f"{b.model} misfit {b.misfit:.1f}" for b in found if b is not best]
    notes = [*best.notes, *([f"chosen over: {', '.join(others)}"] if others else [])]
    return replace(best, notes=tuple(notes))


def _scenes(
    seen: Fronts,
    camera: Camera,
    draws: Draws,
    sound: float,
    sound_sd: float,
    rng: np.random.Generator,
) -> list[_Scene]:
    """Every draw with its clock and registration; covariances come later, from all of them."""
    count = draws.position.shape[0]
    clock = camera.clock

    def shared(name: str, middle: float, sd: float) -> Array:
        found = draws.shared.get(f"{name}:{camera.name}")
        return middle + sd * rng.standard_normal(count) if found is None else found

    offset = shared("clock_offset", clock.offset, clock.offset_sd)
    drift = shared("clock_drift", 0.0, clock.drift_sd)
    right = shared("registration_u", 0.0, camera.registration_sd)
    down = shared("registration_v", 0.0, camera.registration_sd)
    # One scale for all points: the view's depth is small against its distance.
    place = draws.position[:, -1, -1].mean(axis=0).astype(float)
    scale = np.linalg.svd(project_jacobian(camera, place), compute_uv=False)[:2].mean()
    ahead = rays(camera, seen.uv.mean(axis=0)).direction[0]
    across = np.linalg.svd(ahead[None])[2][1:]
    evenly = (np.arange(count) + 0.5) / count
    c = sound + sound_sd * ndtri(rng.permutation(evenly))
    return [
        _Scene(
            Path(
                draws.time,
                draws.station,
                draws.position[d].astype(float),
                draws.velocity[d].astype(float),
            ),
            rays(camera, seen.uv - np.array([right[d], down[d]])),
            frame_time(camera.rate, seen.frame, float(offset[d]), float(drift[d])),
            seen.sd / scale,
            across,
            float(c[d]),
            sound_sd,
            np.eye(2),
            LEAST_DELAY,
            np.zeros(seen.sd.size),
        )
        for d in range(count)
    ]


def _of_model(model: str, scenes: list[_Scene], rng: np.random.Generator) -> Birth | None:
    start, fit, tell = {
        "burst": (_burst_start, _burst, _burst_born),
        "envelope": (_envelope_start, _envelope, _envelope_born),
    }[model]
    first = [start(s) for s in scenes]
    able = [d for d, f in enumerate(first) if f is not None]
    if not able:
        return None
    scenes = _with_spread(scenes, first, able, tell)
    clean = [_solve(fit, scenes[d], first[d]) for d in able[:8]]
    dof = max(scenes[0].sd.size - 3, 1)
    misfit = min(float(np.sqrt(np.sum(fit(x, scenes[d])[: scenes[d].sd.size] ** 2) / dof))
                 for x, d in zip(clean, able[:8], strict=True))  # fmt: skip
    factor = max(misfit, 1.0)
    samples = np.full((len(scenes), 9), np.nan)
    for d in able:
        shaken = replace(
            scenes[d],
            sd=factor * scenes[d].sd,
            noise=rng.standard_normal(scenes[d].sd.size),
        )
        x = _solve(fit, shaken, first[d])
        station, time, place = tell(x, shaken)
        samples[d] = [station, time, *place, *(x[3:5] @ shaken.across), x[2]]
    notes = []
    if len(able) < len(scenes):
        notes.append(f"{len(scenes) - len(able)} of {len(scenes)} draws have no such front")
    if misfit > 3.0:
        notes.append(f"the {model} misses the front by {misfit:.1f} standard deviations")
    return Birth(
        model,
        samples[:, 0],
        samples[:, 1],
        samples[:, 2:5],
        samples[:, 5:8],
        samples[:, 8],
        misfit,
        tuple(notes),
    )


Unknowns = Array
"""(5,) or (6,): station [m], time or delay [s], speed of sound [m/s], shift (2) [m]."""


def _solve(fit: Callable[[Array, _Scene], Array], scene: _Scene, first: Array) -> Array:
    ends = scene.path.station[[0, -1]]
    low = np.array([ends[0], -np.inf, 0.5 * scene.sound, -np.inf, -np.inf])
    high = np.array([ends[1], np.inf, 2.0 * scene.sound, np.inf, np.inf])
    scale = np.array([0.02, 1e-5, max(scene.sound_sd, 0.01), 1e-3, 1e-3])
    found = least_squares(
        fit, np.clip(first, low + 1e-9, high - 1e-9), bounds=(low, high), x_scale=scale,
        args=(scene,), loss=_huber(scene.sd.size), max_nfev=60,
    )  # fmt: skip
    return np.asarray(found.x)


def _huber(points: int) -> Callable[[Array], Array]:
    """Huber's loss at 2.5 standard deviations for the points; squares for what follows them."""
    bound = 2.5**2

    def loss(z: Array) -> Array:
        far = (z > bound) & (np.arange(z.size) < points)
        root = np.sqrt(np.where(far, z, bound))
        value = np.where(far, 2 * 2.5 * root - bound, z)
        slope = np.where(far, 2.5 / root, 1.0)
        curve = np.where(far, -0.5 * 2.5 / root**3, 0.0)
        return np.stack([value, slope, curve])

    return loss


def _held(x: Unknowns, scene: _Scene) -> list[float]:
    known = (x[2] - scene.sound) / max(scene.sound_sd, 1e-6)
    return [float(known), *(scene.whiten @ x[3:5])]


def _burst(x: Unknowns, scene: _Scene) -> Array:
    place = scene.path.at(x[0], np.array([x[1]]))[0][0] + x[3:5] @ scene.across
    arrive = burst_arrival(scene.rays, place, x[1], x[2])
    away = x[2] * (scene.time - arrive) / scene.sd + scene.noise
    return np.concatenate([away, _held(x, scene)])


def _burst_born(x: Unknowns, scene: _Scene) -> tuple[float, float, Array]:
    place = scene.path.at(x[0], np.array([x[1]]))[0][0] + x[3:5] @ scene.across
    return float(x[0]), float(x[1]), place


def _burst_start(scene: _Scene) -> Array | None:
    """Centre and time of the free circle, then the station that comes nearest to that centre."""
    depth = scene.path.position[:, -1].mean(axis=0)
    middle = scene.rays.direction.mean(axis=0)
    reach = ((depth - scene.rays.origin) @ middle) / (scene.rays.direction @ middle)
    met = scene.rays.origin + reach[:, None] * scene.rays.direction
    xy = (met - depth) @ scene.across.T
    c, t = scene.sound, scene.time - scene.time[0]
    # |x - x0|^2 = c^2 (t - t0)^2, linear in x0, c t0 and one number.
    rows = np.column_stack([2 * xy, -2 * c * c * t, np.ones(t.size)])
    answer = np.linalg.lstsq(rows, (xy**2).sum(axis=1) - (c * t) ** 2, rcond=None)[0]
    born = float(np.clip(answer[2] + scene.time[0], scene.path.time[0], scene.time.min()))
    index = int(np.clip(np.searchsorted(scene.path.time, born), 0, scene.path.time.size - 1))
    line = (scene.path.position[index] - depth) @ scene.across.T
    away = np.linalg.norm(line - answer[:2], axis=1)
    return np.array([scene.path.station[int(away.argmin())], born, c, 0.0, 0.0])


def _envelope(x: Unknowns, scene: _Scene) -> Array:
    start, end = sonic_span(scene.path, x[0], scene.across, x[2])
    if not np.isfinite(start):  # a station that stays subsonic sends nothing: far off, but smooth
        return np.concatenate([np.full(scene.sd.size, 1e3), _held(x, scene), [x[1]]])
    times = np.linspace(start, end, FINE)
    places = scene.path.at(x[0], times)[0] + x[3:5] @ scene.across
    arrive = x[1] + envelope_arrival(scene.rays, times, places, x[2])
    away = x[2] * (scene.time - arrive) / scene.sd + scene.noise
    return np.concatenate([away, _held(x, scene), [x[1] / scene.delay_sd]])


def _envelope_born(x: Unknowns, scene: _Scene) -> tuple[float, float, Array]:
    start = sonic_span(scene.path, x[0], scene.across, x[2])[0]
    place = scene.path.at(x[0], np.array([start]))[0][0] + x[3:5] @ scene.across
    return float(x[0]), start + float(x[1]), place


def _envelope_start(scene: _Scene) -> Array | None:
    """The supersonic station whose envelope comes nearest to the front."""
    stations = scene.path.station
    best: tuple[float, Array] | None = None
    for s in stations[-1] - np.linspace(0.0, 0.3, 13) * (stations[-1] - stations[0]):
        if not np.isfinite(sonic_span(scene.path, s, scene.across, scene.sound)[0]):
            continue
        x = np.array([s, 0.0, scene.sound, 0.0, 0.0])
        away = float(np.median(np.abs(_envelope(x, scene)[: scene.sd.size])))
        if best is None or away < best[0]:
            best = (away, x)
    return None if best is None else best[1]


def _with_spread(
    scenes: list[_Scene],
    first: list[Array | None],
    able: list[int],
    tell: Callable[[Array, _Scene], tuple[float, float, Array]],
) -> list[_Scene]:
    """Scenes that know how far the draws stand apart where and when the front was born."""
    some = [f for f in first if f is not None]
    station = float(np.median([f[0] for f in some]))
    times = np.array([tell(f, scenes[d])[1] for f, d in zip(some, able, strict=True)])
    lead = scenes[able[0]].time[0]
    # In the camera's own time, so that a clock's offset does not count as a shift of the path.
    born = float(np.median(times - [scenes[d].time[0] for d in able])) + lead
    there = np.array(
        [s.path.at(station, np.array([born - lead + s.time[0]]))[0][0] for s in scenes]
    )
    across = scenes[0].across
    spread = LEAST_SHIFT**2 * np.eye(2)
    if len(scenes) > 2:
        spread = spread + np.cov((there @ across.T).T)
    delay = float(np.hypot(LEAST_DELAY, times.std()))
    whiten = np.linalg.inv(np.linalg.cholesky(spread))
    return [replace(s, whiten=whiten, delay_sd=delay) for s in scenes]
