"""A short throw of a short line, seen by six markers and a camera: small enough to fit in CI.

The project's own engine moves it, on three times as many links as the estimate has; the estimate
knows the line, its law and the clock only as an experimenter does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.mechanics.law import Law
from lashwave.quantities.line import Line
from lashwave.quantities.trial import Air, Trial
from lashwave.twin.bench import observe
from lashwave.twin.hands import Stroke, Throw
from lashwave.twin.throw_scene import Lash, ThrowScene
from lashwave.twin.throws import chain_of, run
from lashwave.twin.truth import Truth, of_trajectory
from lashwave.twin.views import Wishes

LENGTH, GRIP, DURATION = 0.7, 0.12, 0.19
MARKERS = np.array([0.02, 0.1, 0.24, 0.38, 0.51, 0.63])


def lash() -> Lash:
    """Tapered, 25 to 4 g/m; its table and its markers' stations are read with small errors."""
    station = np.linspace(0.0, LENGTH, 10)
    x = station / LENGTH
    density, diameter = 0.025 - 0.021 * x, 6e-3 - 3.5e-3 * x
    stiffness = 4e-4 * (1.0 - 0.9 * x) ** 2
    rng = np.random.default_rng(5)
    columns = {
        "diameter": (diameter, 0.02), "linear_density": (density, 0.01),
        "bending_stiffness": (stiffness, 0.08),
    }  # fmt: skip
    read = {n: c * (1.0 + sd * rng.standard_normal(10)) for n, (c, sd) in columns.items()}
    stated = Line(
        station, **read, column_sd={n: sd * read[n] for n, (_, sd) in columns.items()},
        handle_length=GRIP,
    )  # fmt: skip
    true = Line(station, diameter, density, stiffness, handle_length=GRIP)
    where = MARKERS + 1e-3 * rng.standard_normal(MARKERS.size)
    return Lash(true, stated, where, MARKERS, 1e-3, 1e-4, 4e-3)


def small_throw(drag_slope: float = 0.0, **wishes: object) -> tuple[Trial, Truth]:
    """Trial and truth, as `lashwave.twin.make` gives them.

    drag_slope : logarithmic, by which drag grows from the grip's end to the tip; the outer half
    keeps its mean.
    """
    hand = Throw(
        angle=-0.6,
        turn=(Stroke(0.01, 0.08, 0.7), Stroke(0.06, 0.09, -1.3)),
        forward=(Stroke(0.05, 0.1, 0.15),),
        up=(Stroke(0.02, 0.1, 0.1),),
        aside=(Stroke(0.05, 0.15, 0.03),),
        lean=(Stroke(0.05, 0.12, 0.1),),
        azimuth=0.1,
    )
    law = Law(1.08, 1.2, 1.0, 1.05, 2.4e-3)
    # "swing": the bench then simulates it once, on times that suit a tip of some 30 m/s
    scene = ThrowScene("swing", 2, lash(), hand.grip(DURATION), None, law, Air(), DURATION)
    chain = chain_of(scene.lash)
    middle = 0.5 * (chain.station[1:] + chain.station[:-1])
    share = np.where(middle < GRIP, 0.0, (middle - GRIP) / (LENGTH - GRIP) - 0.75)
    chain = replace(chain, drag_factor=np.exp(drag_slope * share))
    times = np.arange(0.0, DURATION + 1e-9, 2.5e-4)
    path = of_trajectory(run(scene, chain, times, 2e-5), chain.station)
    return observe(scene, path, Wishes(**wishes))  # type: ignore[arg-type]
