"""The virtual bench: a scene is simulated, seen by instruments, and handed over with its truth."""

from __future__ import annotations

import numpy as np

from lashwave.mechanics import medium
from lashwave.quantities import TRIAL_GRAVITY, Trial
from lashwave.twin.throw_scene import ThrowScene
from lashwave.twin.throws import (
    FEWEST_LINKS,
    FINE,
    SWUNG,
    chain_of,
    draw_held,
    draw_swing,
    draw_throw,
    run,
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
from lashwave.twin.wide import draw_wide

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
