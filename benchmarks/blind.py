"""Blind trials: the twin's scenes, moved by the independent engine instead of the project's own.

The engine knows the scene's line, markers, grip and air; its drag, bending and friction laws are
its own, so the shared parameters of the project's law have no true value here.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path as File

import numpy as np
from engine import SETTLING, Specimen, Surroundings, march, settle
from engine_kernels import forces

from lashwave.instruments import frame_time
from lashwave.mechanics.air import medium
from lashwave.quantities.arrays import Array
from lashwave.quantities.trial import Trial
from lashwave.twin.bench import DRAWS, observe
from lashwave.twin.lines import HELD_LINK, equip
from lashwave.twin.throw_scene import ThrowScene
from lashwave.twin.truth import TrueMotion, Truth, output_times
from lashwave.twin.views import Wishes

GRIP_LINKS = 8
"""The rigid grip's; its mass sits at their ends, and one link alone would be half as heavy to
turn again as it is."""
STRETCH = 3e5
"""Axial stiffness [N]: strains under 1e-3 at 300 N, some 5 times what an estimator can see."""
SPHERE_DRAG = 0.47
LAWS = (
    "drag_normal", "drag_slope", "drag_tangential", "drag_tuft", "stiffness_scale", "damping_time",
)  # fmt: skip


def _stations(scene: ThrowScene, links: int) -> Array:
    """The grip's, then nodes that crowd toward the tip (held: even, and a rigid end).

    Past a grip they begin closer together (`clamp_link`).
    """
    line = scene.lash.true
    grip = np.linspace(0.0, line.handle_length, GRIP_LINKS, endpoint=False)
    share = np.linspace(0.0, 1.0, links)
    if scene.kind == "held":
        inner = line.handle_length + share * (line.length - HELD_LINK - line.handle_length)
        return np.concatenate([grip, inner, [line.length]])
    crowded = 1.0 - (1.0 - share) * (0.6 + 0.4 * (1.0 - share))
    inner = line.handle_length + crowded * (line.length - line.handle_length)
    return np.concatenate([grip, _closer(inner, clamp_link(scene))])


CLAMP_SPAN = 0.4
"""Of the joint at a clamp, over its link: of links of 8 to 11 mm that grow, it puts the bend within
0.8 mm of where the elastica under a pull has it, for sqrt(EI / T) of 7 to 40 mm; half puts it 0.5
to 1.6 mm nearer to the grip (both solved, small angles)."""
CLAMP_RATE, SHORTEST, GROWTH = 5e3, 8e-3, 1.2
"""Fastest rate at which friction levels out a bend of a link's length beside a clamp [1/s]; the
shortest link there [m]; each next one over the one before."""


def clamp_link(scene: ThrowScene) -> float:
    """Length of the first link past the grip [m].

    The line bends there within sqrt(EI / T), 7 to 40 mm; links of 25 mm put the bend 2 to 4 mm
    nearer to the grip than a line has it. The engine's steps shorten as friction's rate
    EI tau / (mu l^4) rises: links of 5 mm took 0.3 s of one throw more than two minutes.
    """
    line = scene.lash.true
    assert line.bending_stiffness is not None
    friction = max(scene.law.damping_time, SETTLING)
    first = float(line.bending_stiffness[0] * friction / line.linear_density[0])
    return float(max((first / CLAMP_RATE) ** 0.25, SHORTEST))


def _closer(inner: Array, shortest: float) -> Array:
    """Stations (M,) [m] whose links past the first grow from the shortest to what they were."""
    length, out, step = np.diff(inner), [float(inner[0])], shortest
    while step < (usual := float(np.interp(out[-1], inner[:-1], length))):
        out.append(out[-1] + step)
        step *= GROWTH
    return np.concatenate([out, inner[inner > out[-1] + 0.5 * usual]])


def specimen(scene: ThrowScene, links: int = 170) -> Specimen:
    """The scene's line as lumps: table mass of half a link either side, and the markers' mass."""
    line, lash = scene.lash.true, scene.lash
    s = _stations(scene, links)
    count, length = s.size, np.diff(s)
    fine = np.linspace(0.0, line.length, 20001)
    density = np.interp(fine, line.station, line.linear_density)
    total = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(fine))])
    edges = np.concatenate([[0.0], 0.5 * (s[1:] + s[:-1]), [line.length]])
    mass = np.diff(np.interp(edges, fine, total))
    bluff = np.zeros(count)
    for place in lash.station:
        j = int(np.clip(np.searchsorted(s, place) - 1, 0, count - 2))
        share = (place - s[j]) / length[j]
        area = SPHERE_DRAG * np.pi / 4 * lash.marker_diameter**2
        for node, weight in ((j, 1 - share), (j + 1, share)):
            mass[node] += weight * lash.marker_mass
            bluff[node] += weight * area
    if line.tuft is not None:
        mass[-1] += line.tuft.mass
        bluff[-1] += line.tuft.area
    span = np.zeros(count)
    span[1:-1] = 0.5 * (length[1:] + length[:-1])
    span[GRIP_LINKS] = CLAMP_SPAN * length[GRIP_LINKS]
    last = count - 1
    if scene.kind == "held":
        span[-2], last = 0.5 * length[-2], count - 3
    assert line.bending_stiffness is not None
    bend = np.zeros(count)
    bend[1:-1] = np.interp(s[1:-1], line.station, line.bending_stiffness) / span[1:-1]
    bend[:GRIP_LINKS] = 0.0
    diameter = np.interp(s, line.station, line.diameter)
    return Specimen(
        s, mass, np.full(count - 1, STRETCH), bend, diameter, bluff, GRIP_LINKS + 1, last,
        friction_time=scene.law.damping_time,
    )  # fmt: skip


def _driven(scene: ThrowScene, spec: Specimen) -> tuple[Array, Array]:
    """Times and places (G, D, 3) of the nodes on rigid ends."""
    times = np.arange(-4e-3, scene.duration + 6e-3, 2e-3)
    base, _, _, along, _, _ = scene.grip.at(times)
    places = [base + station * along for station in spec.station[: spec.first]]
    if scene.far is not None:
        end, _, _, ahead, _, _ = scene.far.at(times)
        places += [end - (spec.station[-1] - spec.station[-2]) * ahead, end]
    return times, np.stack(places, axis=1)


def engine_path(scene: ThrowScene) -> TrueMotion:
    """The scene moved by the engine: once for the peak, once on a grid that is fine there."""
    spec = specimen(scene, 170 if scene.kind == "throw" else 90)
    air = medium(scene.air)
    around = Surroundings(air.density, air.sound_speed)
    driven = _driven(scene, spec)
    at_start = np.flatnonzero(np.isclose(driven[0], 0.0))[0]
    start = settle(spec, around, driven[1][at_start])
    peak = None
    if scene.kind == "throw":
        quick = march(spec, around, driven, np.arange(0.0, scene.duration, 2e-4), start)
        peak = float(quick.time[np.linalg.norm(quick.velocity[:, -1], axis=-1).argmax()])
    made = march(spec, around, driven, output_times(scene.duration, peak), start)
    free = slice(spec.first, spec.last + 1)
    outside, power = np.empty((made.time.size, 3)), np.empty(made.time.size)
    gravity = np.array([around.density, around.sound_speed, *around.gravity])
    for k in range(made.time.size):
        force, tension = np.empty_like(start), np.empty(start.shape[0] - 1)
        forces(
            made.position[k], made.velocity[k], np.diff(spec.station), spec.mass, spec.stretch,
            spec.bend, spec.friction_time, gravity, spec.diameter, spec.bluff,
            np.array([spec.cylinder_drag, spec.skin_friction]), 0.0, force, tension,
        )  # fmt: skip
        # What links do to each other cancels, so that gravity and drag are left.
        outside[k] = force.sum(axis=0)
        rest = spec.mass[:, None] * made.acceleration[k] - force
        rest[free] = 0.0
        hand = rest[: spec.first]
        power[k] = (hand * made.velocity[k, : spec.first]).sum()
    pull = made.tension.copy()
    pull[:, : spec.first - 1] = np.nan
    pull[:, spec.last + 1 :] = np.nan
    # By the line's momentum: its stiff springs ring faster than these times follow, so that a sum
    # over sampled forces was up to 8 % of the impulse off.
    momentum = (spec.mass[:, None] * made.velocity).sum(axis=1)
    push = np.gradient(momentum, made.time, axis=0) - outside
    kinetic = 0.5 * (spec.mass[:, None] * made.velocity**2).sum(axis=(1, 2))
    return TrueMotion(
        made.time, spec.station, made.position, made.velocity, made.acceleration, pull,
        push, power, kinetic,
    )  # fmt: skip


SPLICE = (0.02, 0.05)
"""Length of a splice [m] and what it weighs more than the line [kg/m]: a gram in all."""


def spliced(scene: ThrowScene, stiffness: bool) -> ThrowScene:
    """The scene with a heavy splice on its line, weighed as the rest of the line is."""
    line = scene.lash.true
    rng = np.random.default_rng([scene.seed, 21])
    at = line.handle_length + rng.uniform(0.4, 0.8) * (line.length - line.handle_length)
    edges = at + np.array([-0.5, -0.49, 0.49, 0.5]) * SPLICE[0]
    station = np.sort(np.concatenate([line.station, edges]))
    inside = np.abs(station - at) < 0.495 * SPLICE[0]
    assert line.bending_stiffness is not None
    heavier = replace(
        line,
        station=station,
        linear_density=np.interp(station, line.station, line.linear_density) + SPLICE[1] * inside,
        diameter=np.interp(station, line.station, line.diameter),
        bending_stiffness=np.interp(station, line.station, line.bending_stiffness),
    )
    return replace(scene, lash=equip(rng, heavier, stiffness))


def harder(trial: Trial, hardship: str, true: dict[str, float | None]) -> Trial:
    """A trial that sees less: the tip leaves the picture, or the grip is half hidden.

    true : the true answers; the time of the tip's peak and the clocks are taken from them [s].
    """
    markers, peak = trial.markers, true["peak_tip_speed_time"] or 0.0
    if hardship == "half-grip":
        place = markers.position.copy()
        place[markers.time > 0.5 * peak, list(markers.labels).index("G2")] = np.nan
        return replace(trial, markers=replace(markers, position=place))
    if hardship != "leaving":
        return trial
    cameras = []
    for camera in trial.cameras:
        offset = true[f"clock_offset:{camera.name}"] or 0.0
        before = frame_time(camera.rate, camera.frame, offset) < peak - 1e-4
        cameras.append(
            replace(
                camera, frame=camera.frame[before], station=camera.station[before],
                uv=camera.uv[before], point_sd=camera.point_sd[before],
            )
        )  # fmt: skip
    return replace(trial, cameras=tuple(cameras))


def make_blind(
    seed: int, kind: str, wishes: Wishes, stiffness: bool, cache: File, hardship: str = ""
) -> tuple[Trial, Truth]:
    """A blind trial; the engine's run is kept in `cache`, since it takes minutes."""
    scene = DRAWS[kind](seed, stiffness)
    if hardship == "splice":
        scene = spliced(scene, stiffness)
    cache.mkdir(parents=True, exist_ok=True)
    heavy = "splice-" * (hardship == "splice")
    kept = cache / f"engine-{GRIP_LINKS}-{CLAMP_RATE:g}-{heavy}{kind}-{seed:03d}.npz"
    if kept.exists():
        with np.load(kept) as stored:
            path = TrueMotion(**{name: stored[name] for name in stored.files})
    else:
        path = engine_path(scene)
        own = kept.with_name(f"{os.getpid()}-{kept.name}")  # others may read `kept` meanwhile
        np.savez_compressed(own, **vars(path))
        own.replace(kept)
    trial, truth = observe(scene, path, wishes)
    trial = harder(trial, hardship, truth.answers)
    answers = {name: value for name, value in truth.answers.items() if name not in LAWS}
    renamed = replace(trial, name=f"blind-{kind}-{seed:03d}")
    return renamed, replace(truth, answers=answers)
