"""The virtual bench: a scene is simulated, seen by instruments, and handed over with its truth.

Throws that are nobody's sisters: lines, hands and laws drawn afresh, laws beyond what is stated.

The throws of `throws` vary six found ones, and their laws stay near what handbooks and static
tests say. Here every line is drawn anew (one material or two, tapers from nearly level to steep,
stiffness going with the second to the fourth power of the diameter), every hand too, and drag and
damping lie where no stated interval would have them. What such throws show sets nothing.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.mechanics import Law, medium
from lashwave.quantities import TRIAL_GRAVITY, Line, Trial
from lashwave.twin.hands import draw_throw_path
from lashwave.twin.lines import draw_tuft, equip, wobble
from lashwave.twin.throw_scene import ThrowScene
from lashwave.twin.throws import (
    FEWEST_LINKS,
    FINE,
    SWUNG,
    SoughtPeak,
    Spacing,
    chain_of,
    draw_air,
    draw_held,
    draw_swing,
    draw_throw,
    run,
    search,
)
from lashwave.twin.truth import (
    TrueMotion,
    Truth,
    answers,
    dataset,
    law_answers,
    of_trajectory,
    output_times,
)
from lashwave.twin.views import Wishes, read_camera, read_markers

MACH = (0.6, 2.2)
"""Peak tip Mach numbers that are sought."""
TRIES = 120
APART = 5000
"""Added to the seed of a throw, so that its instruments' noise is not another family's."""


def wide_law(rng: np.random.Generator) -> Law:
    """Scales of the law: normal drag +- 40 %, damping four times off either way, stiffness 1.5."""
    return Law(
        drag_normal=float(rng.uniform(0.6, 1.4)),
        drag_tangential=float(np.exp(rng.uniform(-np.log(3), np.log(3)))),
        drag_tuft=float(np.exp(rng.uniform(-np.log(2), np.log(2)))),
        stiffness_scale=float(np.exp(rng.uniform(-np.log(1.5), np.log(1.5)))),
        damping_time=float(2e-3 * np.exp(rng.uniform(-np.log(4), np.log(4)))),
    )


def wide_line(rng: np.random.Generator) -> Line:
    """A throwing line; in half of them the outer part is of another material."""
    length = float(rng.uniform(1.5, 3.2))
    station = np.linspace(0.0, length, int(rng.integers(16, 27)))
    x = station / length
    butt, tip = float(rng.uniform(0.05, 0.13)), float(rng.uniform(0.0015, 0.005))
    density = (tip + (butt - tip) * (1 - x) ** rng.uniform(1.0, 2.6)) * wobble(rng, x, 0.03)
    solid = np.full(x.size, rng.uniform(600.0, 1200.0))
    modulus = np.ones(x.size)
    if rng.random() < 0.5:
        outer = x > rng.uniform(0.5, 0.85)
        solid[outer] *= rng.uniform(0.6, 1.5)
        modulus[outer] *= np.exp(rng.uniform(-1.0, 1.0))
    diameter = np.sqrt(4 * density / (np.pi * solid)) * wobble(rng, x, 0.02)
    # Bending stiffness over linear density at the tip [m4/s2], and its exponent by diameter.
    grade = float(np.exp(rng.uniform(np.log(0.003), np.log(0.02))))
    stiffness = density[-1] * grade * (diameter / diameter[-1]) ** rng.uniform(2.0, 4.0)
    tuft = draw_tuft(rng)
    return Line(
        station=station,
        diameter=diameter,
        linear_density=density,
        bending_stiffness=stiffness * modulus * wobble(rng, x, 0.05),
        handle_length=float(rng.uniform(0.15, 0.25)),
        ends="free",
        tuft=tuft,
    )


def draw_wide(seed: int, stiffness: bool = True, spacing: Spacing = FINE) -> ThrowScene:
    """A throw of its own line and hand whose tip peaks at Mach 0.6 to 2.2; sought for a minute.

    Raises
    ------
    SimulationError
        Where no throw of the seed is found.
    """
    aim = np.random.default_rng([seed, 15]).uniform(*MACH)

    def make(attempt: int, tempo: float, peak: float | None = None) -> ThrowScene:
        return _throw(seed, attempt, tempo, stiffness, peak)

    sought = SoughtPeak(aim, 0.25, MACH, (0.3, 3.5))
    return search(make, sought, TRIES, spacing, f"wide seed {seed}")


def _throw(
    seed: int, attempt: int, tempo: float, stiffness: bool, peak: float | None = None
) -> ThrowScene:
    """The attempt's throw at a tempo; the record ends 40 to 90 ms after the peak [s]."""
    own = np.random.default_rng([seed, 14])
    lash = equip(own, wide_line(own), stiffness)
    law, air = wide_law(own), draw_air(own)
    rng = np.random.default_rng([seed, 16, attempt])
    path = draw_throw_path(rng).faster(tempo)
    path = path.later(float(rng.uniform(0.0, 0.15)) + max(0.0, 0.45 - path.end))
    path = replace(path, azimuth=float(rng.uniform(-0.5, 0.5)))
    duration = path.end + 0.12 if peak is None else peak + float(rng.uniform(0.04, 0.09))
    choice = (attempt, tempo)
    return ThrowScene(
        "throw", APART + seed, lash, path.grip(duration), None, law, air, duration, choice
    )


DRAWS = {"throw": draw_throw, "wide": draw_wide, "swing": draw_swing, "held": draw_held}


RTOL = 2e-5


def simulate_path(scene: ThrowScene) -> TrueMotion:
    """The scene's true motion: once to find the peak, once on a grid that is fine there."""
    thrown = scene.kind == "throw"
    chain = chain_of(scene.lash, FINE if thrown else SWUNG, FEWEST_LINKS if thrown else 0)
    peak = None
    if thrown:
        quick = run(scene, chain, np.arange(0.0, scene.duration, 1e-4), RTOL)
        peak = float(quick.time[np.linalg.norm(quick.velocity[:, -1], axis=-1).argmax()])
    times = output_times(scene.duration, peak)
    return of_trajectory(run(scene, chain, times, RTOL), chain.station)


def observe(scene: ThrowScene, path: TrueMotion, wishes: Wishes) -> tuple[Trial, Truth]:
    """Instruments read a true motion. The same scene, path and wishes give the same trial."""
    kinds = ("throw", "swing", "held")
    rng = np.random.default_rng([scene.seed, 7, kinds.index(scene.kind)])
    found = answers(path, scene, float(medium(scene.air).sound_speed)) | law_answers(scene)
    peak = found["peak_tip_speed_time"] or 0.0
    markers, notes = read_markers(path, scene, wishes, peak, rng)
    cameras = []
    if wishes.camera and scene.kind != "held":
        turn = float(rng.uniform(-0.15, 0.15))
        views = [("tip-view", turn)]
        if wishes.second_view:
            views.append(("side-view", turn + float(rng.uniform(0.7, 1.1))))
        for name, angle in views:
            facing = np.array([np.sin(angle), np.cos(angle), 0.0])
            # The second view is asked for where the peak must be resolved: 25 kHz.
            rates = (25e3,) if wishes.second_view else None
            rates = (wishes.camera_rate,) if wishes.camera_rate is not None else rates
            extra = {} if rates is None else {"rates": rates}
            camera, true, drift = read_camera(path, facing, name, wishes, peak, rng, **extra)
            cameras.append(camera)
            found |= true
            notes[f"clock_drift:{name}"] = drift
    trial = Trial(
        name=f"twin-{scene.kind}-{scene.seed:03d}",
        line=scene.lash.stated,
        markers=markers,
        cameras=tuple(cameras),
        air=scene.air,
        gravity=np.array(TRIAL_GRAVITY),
        specimen=f"invented line {scene.seed}",
        thrower="virtual arm",
    )
    return trial, Truth(dataset(path), found, path, scene, notes)


def make(
    seed: int = 0,
    kind: str = "throw",
    *,
    camera: bool = True,
    second_view: bool = False,
    ghosts: float = 0.0,
    missing: float = 0.0,
    stiffness: bool = True,
    swaps: int = 0,
    flashes: bool = False,
    lost_third: bool = False,
    clock_wrong: float = 0.0,
    stand_off: float = 0.0,
    camera_rate: float | None = None,
) -> tuple[Trial, Truth]:
    """A simulated trial and the truth behind it.

    Parameters
    ----------
    kind : "throw" (cracks), "wide" (so does it; line, hand and law unlike what is stated), "swing"
        (never does), or "held" (both ends driven, no camera).
    second_view : a second camera at 40 to 60 degrees; both then run at 25 kHz.
    ghosts : share of marker samples at false places, and as many points with no label.
    missing : share of marker samples lost at random. swaps : stretches with exchanged labels.
    stiffness : whether the line's table has its stiffness column.
    flashes : whether strobe flashes are listed. lost_third : hide the last third for 30 ms.
    clock_wrong : [s], error of a clock stated good to 0.1 ms. stand_off : of markers [m].
    camera_rate : of the fast cameras [Hz]; by default one that keeps step with the markers.
    """
    wishes = Wishes(
        camera, second_view, ghosts, missing, swaps, flashes, lost_third, clock_wrong, stand_off,
        camera_rate,
    )  # fmt: skip
    scene = DRAWS[kind](seed, stiffness)
    return observe(scene, simulate_path(scene), wishes)
