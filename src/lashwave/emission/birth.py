"""Birth of a front: where on the line and when, jointly with the reconstructed motion.

For each posterior draw of the motion the front's points are fitted by the wavefront that a
station of that draw sends out (`wavefront`). Unknown are the station, the time, the speed of
sound, and a shift of the draw's path across the view; the shift is held by the spread of the
draws themselves (for the envelope also a delay of the path, and the station about the one that
is sonic first in the draw), the speed of sound by what is known of it, and the points are shaken
by their own errors. The minimisers are draws of the joint
posterior: randomised maximum likelihood (Oliver, He and Reynolds 1996; Bardsley et al., SIAM J.
Sci. Comput. 36 (2014) A1895), exact where the motion's errors are Gaussian and act as one shift
while the front is sent. So the front also corrects the motion, by `shift`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from lashwave.emission.birth_models import HUBER, MODELS, FrontScene, Model, solve
from lashwave.emission.wavefront import DrawnMotion
from lashwave.instruments import frame_time, project_jacobian, rays
from lashwave.quantities import Array, Camera, Draws, Fronts, NotConvergedError

MOST_POINTS = 240
"""Points of a front used for each draw, evenly spread over them."""
LEAST_POINTS = 8
LEAST_SHIFT = 2e-4
"""[m]; a draw may shift by this in any case."""
LEAST_DRIFT = 0.3
"""[m/s]"""
LEAST_SLOWER = 1e-3
LEAST_DELAY = 1e-6
"""[s]"""
LEAST_STATION = 3e-3
"""[m]; a front may be sent from this far beside the station that is sonic first."""
LEFT_OUT = 28e-6
"""[s]; what the birth of a source that stays supersonic is off by beyond its points and the draws:
five rendered throws (seeds 8, 9, 10, 12, 17) were 30 us off, RMS. The front is born faint, before
what is seen of it was sent, so its birth is told by how the line gains speed there."""
SOURCE = 4e-3
"""[m]; a front is sent by a stretch of the line, how long is not known, and taken for a point's."""
LEAST_STAND_OFF = 1e-3
"""[m]; a light or dark band is as wide as the front, its optics and its exposure make it."""
SENT_BEFORE = 6e-3
"""A front is sent no longer than this before it is first seen [s]: 2 m of sound."""
SECTOR = np.radians(20.0)
"""Points of one flank in one direction from the source share their deviation from the spheres,
from frame to frame too: a wavelet keeps its direction."""
TAKEN_UP = 1.5
"""Of errors shared along a flank the fit takes up part: they are this times what it leaves."""
TRIED = 8
"""Draws that the misfit is taken from."""


@dataclass(frozen=True)
class Birth:
    """Samples of where and when a front was born; D draws."""

    model: str
    """"burst": one sphere. "envelope": spheres of a source that stays supersonic for a while;
    its birth is the moment at which the station first moves at the speed of sound, in space; only
    where it does so across the view is a front seen there."""
    station: Array
    """(D,) [m]; all samples are nan in draws that have no such front."""
    time: Array
    """(D,) [s], lab clock of the draw"""
    place: Array
    """(D, 3) [m]"""
    delay: Array
    """(D,) [s], of the draw's path; 0 for a burst, whose time is free"""
    shift: Array
    """(D, 3) [m], of the draw's path, across the view"""
    sound: Array
    """(D,) [m/s]"""
    misfit: float
    """Robust spread of front against wavefront over the points' sd, best of the draws; their sd was
    multiplied by it where it is over 1."""
    notes: tuple[str, ...] = ()

    @property
    def station_sd(self) -> float:
        """[m]"""
        return float(np.nanstd(self.station, ddof=1))

    @property
    def time_sd(self) -> float:
        """[s]"""
        return float(np.nanstd(self.time, ddof=1))


def birth(
    fronts: Fronts,
    number: int | Sequence[int],
    camera: Camera,
    draws: Draws,
    sound: float,
    sound_sd: float,
    model: str = "auto",
    stand_off_sd: float | None = None,
    seed: int = 0,
) -> Birth:
    """Where and when a front of one camera was born.

    Parameters
    ----------
    fronts : points along the fronts, by frame.
    number : of the front; several where its flanks have a number each (see `joined`).
    draws : of the motion; with `clock_offset:CAMERA` and `registration_u:CAMERA` where fitted.
    sound, sound_sd : speed of sound [m/s]; a large sd lets the front measure it.
    model : "burst", "envelope", or "auto", the one with the smaller misfit.
    stand_off_sd : by how much a flank may stand off the front itself [m], where the points' sd
        hold nothing of it. By default they do, and that is at least 1 mm, or 3 us of sound.

    Raises
    ------
    NotConvergedError : fewer than 8 points or 2 frames, or no draw in which the model has a front.
    """
    numbers = np.atleast_1d(number)
    seen = some_points(fronts, numbers, MOST_POINTS)
    if seen.frame.size < LEAST_POINTS or np.unique(seen.frame).size < 2:
        raise NotConvergedError(
            f"front {numbers[0]} of {camera.name} has {seen.frame.size} points in "
            f"{np.unique(seen.frame).size} frames; a birth needs 8 points in 2 frames"
        )
    rng = np.random.default_rng(seed)
    scenes = scenes_of(seen, camera, draws, (sound, sound_sd), stand_off_sd, rng)
    tried = ("burst", "envelope") if model == "auto" else (model,)
    shared = stand_off_sd is None
    found = [b for b in (_of_model(m, scenes, shared, rng) for m in tried) if b is not None]
    if not found:
        raise NotConvergedError(
            f"front {numbers[0]} of {camera.name}: no draw of the motion is supersonic across the "
            "view"
        )
    best = min(found, key=lambda b: b.misfit)
    others = [f"{b.model} misfit {b.misfit:.1f}" for b in found if b is not best]
    notes = [*best.notes, *([f"chosen over: {', '.join(others)}"] if others else [])]
    return replace(best, notes=tuple(notes))


def some_points(fronts: Fronts, numbers: NDArray[np.int64], most: int) -> Fronts:
    """Up to `most` points (P, 2) [px] of some fronts, spread evenly over them."""
    use = np.flatnonzero(np.isin(fronts.number, numbers))
    use = use[np.lexsort((fronts.frame[use], fronts.number[use]))]
    use = use[np.linspace(0, use.size - 1, min(use.size, most)).round().astype(int)]
    return Fronts(fronts.frame[use], fronts.number[use], fronts.uv[use], fronts.sd[use])


def scenes_of(
    seen: Fronts,
    camera: Camera,
    draws: Draws,
    speed: tuple[float, float],
    stand_off_sd: float | None,
    rng: np.random.Generator,
) -> list[FrontScene]:
    """Every draw with its clock and registration; covariances come later, from all of them."""
    sound, sound_sd = speed
    count = draws.position.shape[0]
    clock = camera.clock

    def shared(name: str, middle: float, sd: float) -> Array:
        found = draws.shared.get(f"{name}:{camera.name}")
        guess = middle + sd * rng.standard_normal(count)
        return np.asarray(guess if found is None else found)

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
    c = np.maximum(sound + sound_sd * ndtri(rng.permutation(evenly)), 0.5 * sound)
    sd = seen.sd / scale
    flank, stand_off = _flanks(seen.number, sd, stand_off_sd)
    seen_at = camera.counted(seen.frame)
    times = [
        frame_time(camera.rate, seen_at, float(offset[d]), float(drift[d])) for d in range(count)
    ]
    low = int(np.searchsorted(draws.time, min(t.min() for t in times) - SENT_BEFORE))
    high = int(np.searchsorted(draws.time, max(t.max() for t in times))) + 2
    part = slice(max(low - 1, 0), high)
    return [
        FrontScene(
            DrawnMotion(
                draws.time[part], draws.station, draws.position[d, part], draws.velocity[d, part]
            ),
            rays(camera, seen.uv - np.array([right[d], down[d]])),
            times[d],
            sd,
            across,
            float(c[d]),
            sound_sd,
            np.eye(4),
            LEAST_DELAY,
            LEAST_SLOWER,
            np.nan,
            LEAST_STATION,
            flank,
            stand_off,
            np.zeros(seen.sd.size),
        )
        for d in range(count)
    ]


def _flanks(
    number: NDArray[np.int64], sd: Array, stand_off_sd: float | None
) -> tuple[NDArray[np.intp], Array]:
    """(N,) which flank a point is of, and (F,) [m] by how much each may stand off the front."""
    numbers, flank = np.unique(number, return_inverse=True)
    if stand_off_sd is not None:
        return flank, np.full(numbers.size, max(stand_off_sd, 1e-9))
    own = np.array([np.median(sd[flank == k]) for k in range(numbers.size)])
    return flank, np.maximum(own, LEAST_STAND_OFF)


def _of_model(
    model: str, scenes: list[FrontScene], shared: bool, rng: np.random.Generator
) -> Birth | None:
    """shared : whether the points' sd hold what a flank's points share."""
    start, fit, tell = MODELS[model]
    first = {d: f for d, f in enumerate(start(s) for s in scenes) if f is not None}
    if not first:
        return None
    able = list(first)
    scenes = with_spread(scenes, first, tell)
    misfit, left, x, near = _clean(fit, scenes, first)
    group = _sectors(tell(x, scenes[near])[2], scenes[near])
    factor, shaking = _shared_errors(misfit, group) if shared else _errors(left, group)
    samples = np.full((len(scenes), 10), np.nan)
    # Normal, and evenly spread over its quantiles: few draws then have no middle of their own.
    evenly = ndtri((np.arange(len(scenes)) + 0.5) / len(scenes))
    beyond = np.stack([rng.permutation(evenly), rng.permutation(evenly)])
    for d in able:
        shaken = replace(scenes[d], sd=factor * scenes[d].sd, noise=shaking(rng))
        x = solve(fit, shaken, first[d])
        station, time, place = tell(x, shaken)
        late = 0.0
        if model == "envelope":
            late, time = x[1], time + LEFT_OUT * beyond[0, d]
        station = np.clip(station + SOURCE * beyond[1, d], *shaken.path.station[[0, -1]])
        samples[d] = [station, time, *place, late, *(x[3:5] @ shaken.across), x[2]]
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
        samples[:, 5],
        samples[:, 6:9],
        samples[:, 9],
        misfit,
        tuple(notes),
    )


def _clean(
    fit: Model, scenes: list[FrontScene], first: dict[int, Array]
) -> tuple[float, Array, Array, int]:
    """Of some draws fitted to the points as they are the one that fits best: robust spread and
    residuals (N,) in sd, its unknowns, and which it is."""
    best = (np.inf, np.empty(0), np.empty(0), -1)
    for d in list(first)[:TRIED]:
        x = solve(fit, scenes[d], first[d])
        left = fit(x, scenes[d])[0][: scenes[d].sd.size]
        misfit = 1.4826 * float(np.median(np.abs(left)))
        if misfit < best[0]:
            best = (misfit, left, x, d)
    return best


def _sectors(place: Array, scene: FrontScene) -> NDArray[np.intp]:
    """(N,) groups of points of one flank that lie in one direction from a place (3,) [m]."""
    away = (scene.rays.origin - place) @ scene.across.T
    sector = np.floor(np.arctan2(away[:, 1], away[:, 0]) / SECTOR).astype(np.intp)
    return np.unique(sector + 1000 * scene.flank, return_inverse=True)[1]


Errors = tuple[Array, Callable[[np.random.Generator], Array]]
"""(N,) by how much to widen the points' sd, and draws of their errors in sd so widened."""


def _shared_errors(misfit: float, group: NDArray[np.intp]) -> Errors:
    """Of points whose sd says how far a front may stand off them: it varies along a flank too.

    A group shares one error and counts as one point; what scatters from point to point is small
    beside it. Its size is the spread that the fit leaves, `misfit`, and what the fit took up.
    """
    count = np.bincount(group)
    root = np.sqrt(count[group])
    return TAKEN_UP * misfit * root, lambda rng: rng.standard_normal(count.size)[group] / root


def _errors(left: Array, group: NDArray[np.intp]) -> Errors:
    """Of points whose sd are of each alone, `left` (N,) [sd] of which the fit leaves.

    Where a group's sum scatters more than its points alone would have it, errors are drawn as what
    is left times one random number a group, the wild bootstrap of groups (Cameron, Gelbach and
    Miller, Rev. Econ. Stat. 90 (2008) 414); where it does not, they are independent.
    """
    bound = np.clip(left, -HUBER, HUBER)
    factor = float(np.sqrt(np.square(np.bincount(group, bound)).sum() / bound.size))
    if factor <= 1.0:
        return np.ones(left.size), lambda rng: rng.standard_normal(left.size)
    count = int(group.max()) + 1
    widened = np.full(left.size, factor)
    return widened, lambda rng: bound / factor * rng.standard_normal(count)[group]


def with_spread(
    scenes: list[FrontScene],
    first: dict[int, Array],
    tell: Callable[[Array, FrontScene], tuple[float, float, Array]],
) -> list[FrontScene]:
    """Scenes that know how far the draws stand apart, and move apart, where and when the front was
    born.

    first : by draw, the unknowns (U,) [m, s] that its search starts from.
    """
    station = float(np.median([f[0] for f in first.values()]))
    # In the camera's own time, so that a clock's offset does not count as a shift of the path.
    since = np.array([tell(f, scenes[d])[1] - scenes[d].time[0] for d, f in first.items()])
    middle = float(np.median(since))
    there = np.array([np.stack(s.path.at(station, s.time[:1] + middle))[:, 0] for s in scenes])
    across = scenes[0].across
    spread = np.diag([LEAST_SHIFT, LEAST_SHIFT, LEAST_DRIFT, LEAST_DRIFT]) ** 2
    if len(scenes) > 2:
        spread = spread + np.cov((there @ across.T).reshape(-1, 4).T)
    delay = float(np.hypot(LEAST_DELAY, since.std()))
    speed = np.linalg.norm(there[:, 1] @ across.T, axis=1)
    slower = float(np.hypot(LEAST_SLOWER, speed.std() / max(speed.mean(), 1.0)))
    whiten = np.linalg.inv(np.linalg.cholesky(spread))
    beside = float(np.hypot(LEAST_STATION, np.std([f[0] for f in first.values()])))
    return [
        replace(
            s,
            path=replace(s.path, since=float(s.time[0] + middle)),
            whiten=whiten,
            delay_sd=delay,
            slower_sd=slower,
            station=float(first[d][0]) if d in first else np.nan,
            station_sd=beside,
        )
        for d, s in enumerate(scenes)
    ]
