"""Which numbered flanks are one front: those that one set of spheres explains.

A front is found as several curves: left and right of the line, parted by wires, and one for each
edge of its band of light and dark. `joined` fits the spheres that the moving line sends out
(`wavefront.envelope`, on the mean of the motion's draws) to one of them, takes in every other that
lies on the same spheres, and fits again until none comes or goes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lashwave.emission.birth import scenes_of, some_points, with_spread
from lashwave.emission.birth_models import HELD, MODELS, FrontScene, solve
from lashwave.quantities import Array, Camera, Draws, Fronts

FEWEST_POINTS = 20
"""Of a flank that is looked at."""
LOOKED_AT = 40
"""Points of each that are."""
FITTED = 200
"""Points of all together that the spheres are fitted to."""
LEADS = 4
"""Of the longest flanks that are tried to begin with."""
BESIDE = (12e-3, 8e-3, 5e-3, 4e-3, 4e-3)
"""A front's points stand off the spheres by no more than this [m], round by round: at first the
motion is only as good as its draws."""
SHARE = 0.6
"""Of a flank's points that must do so."""


def joined(
    fronts: Fronts, camera: Camera, draws: Draws, sound: float, sound_sd: float
) -> tuple[int, ...]:
    """Numbers of the flanks of the front that has most points, the longest first.

    Empty where the motion sends no front: where it is not supersonic across the view.
    """
    number, count = np.unique(fronts.number, return_counts=True)
    order = np.argsort(-count, kind="stable")
    able = number[order][count[order] >= FEWEST_POINTS]
    scene = _mean_scene(fronts, able, camera, draws, (sound, sound_sd))
    if scene is None:
        return ()
    stands_for = count[order][: able.size] / np.bincount(scene.flank)
    tries = [_of_one(scene, stands_for, k) for k in (None, *range(min(LEADS, able.size)))]
    found = max(tries, key=lambda t: t[0])[1]
    return tuple(int(able[k]) for k in sorted(found))


def renumbered(fronts: Fronts, numbers: tuple[int, ...]) -> Fronts:
    """The fronts with one number, the first, for all of `numbers`."""
    same = np.isin(fronts.number, numbers)
    return replace(fronts, number=np.where(same, numbers[0], fronts.number) if numbers else
                   fronts.number)  # fmt: skip


def _mean_scene(
    fronts: Fronts,
    numbers: NDArray[np.int64],
    camera: Camera,
    draws: Draws,
    sound: tuple[float, float],
) -> FrontScene | None:
    """Some points of every flank, in order of `numbers`, against the mean of the draws."""
    start, _, tell = MODELS["envelope"]
    parts = [some_points(fronts, numbers[k : k + 1], LOOKED_AT) for k in range(numbers.size)]
    if not parts:
        return None
    seen = Fronts(
        np.concatenate([p.frame for p in parts]),
        np.repeat(np.arange(numbers.size), [p.frame.size for p in parts]),
        np.concatenate([p.uv for p in parts]),
        np.concatenate([p.sd for p in parts]),
    )
    rng = np.random.default_rng(4)
    scenes = scenes_of(seen, camera, draws, sound, None, rng)
    first = {d: x for d, x in enumerate(start(s) for s in scenes) if x is not None}
    if not first:
        return None
    spread = with_spread(scenes, first, tell)[next(iter(first))]
    path = replace(
        scenes[0].path,
        position=np.mean([s.path.position for s in scenes], axis=0, dtype=float),
        velocity=np.mean([s.path.velocity for s in scenes], axis=0, dtype=float),
    )
    rays = replace(scenes[0].rays, origin=np.mean([s.rays.origin for s in scenes], axis=0))
    time = np.mean([s.time for s in scenes], axis=0)
    scene = replace(spread, path=path, rays=rays, time=time, sound=sound[0])
    at_mean = start(scene)
    return None if at_mean is None else replace(scene, station=float(at_mean[0]))


def _of_one(scene: FrontScene, stands_for: Array, lead: int | None) -> tuple[float, set[int]]:
    """Flanks, by place in the scene, that one set of spheres explains, and their points on it: to
    begin with those that the motion as it is sends out, or those fitted to flank `lead`.

    stands_for : (F,) points of each flank that one in the scene stands for.
    """
    start, fit, _ = MODELS["envelope"]
    whole = replace(
        scene, sd=np.ones(scene.sd.size), flank=np.zeros(scene.sd.size, dtype=np.intp),
        stand_off_sd=np.ones(1),
    )  # fmt: skip
    flanks = np.arange(stands_for.size)
    weight = stands_for[scene.flank]
    members = set(flanks.tolist()) if lead is None else {lead}
    best: tuple[float, set[int]] = (0.0, set())
    for turn, beside in enumerate(BESIDE):
        part = _part(scene, weight * np.isin(scene.flank, list(members)))
        x = start(part)
        assert x is not None  # of the mean motion, as before
        if turn or lead is not None:
            x = solve(fit, part, x)
        away = np.abs(fit(np.append(x[:HELD], 0.0), whole)[0][: scene.sd.size])
        near, on = (_share(away < b, scene.flank) >= SHARE for b in (beside, BESIDE[-1]))
        points = float(weight[on[scene.flank] & (away < BESIDE[-1])].sum())
        best = max(best, (points, set(flanks[on].tolist())), key=lambda b: b[0])
        if not near.any():
            break
        members = set(flanks[near].tolist())
    return best


def _share(true: NDArray[np.bool_], group: NDArray[np.intp]) -> Array:
    return np.asarray(np.bincount(group, true) / np.bincount(group))


def _part(scene: FrontScene, weight: Array) -> FrontScene:
    """Points of the scene, spread evenly over their weight (N,)."""
    total = np.cumsum(weight)
    at = (np.arange(FITTED) + 0.5) / FITTED * total[-1]
    use = np.unique(np.searchsorted(total, at))
    rays = replace(scene.rays, origin=scene.rays.origin[use], direction=scene.rays.direction[use])
    kept, flank = np.unique(scene.flank[use], return_inverse=True)
    return replace(
        scene, rays=rays, time=scene.time[use], sd=scene.sd[use], noise=scene.noise[use],
        flank=flank, stand_off_sd=scene.stand_off_sd[kept],
    )  # fmt: skip
