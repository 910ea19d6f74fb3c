"""The throw that the mechanics' benchmarks share: a tapered line, flung in 3-D by its grip."""

from __future__ import annotations

import numpy as np

from lashwave.mechanics.air import medium
from lashwave.mechanics.chain import Chain, build, stations
from lashwave.mechanics.grip import Grip
from lashwave.mechanics.law import Law
from lashwave.mechanics.simulation import Trajectory, simulate
from lashwave.quantities.line import Line
from lashwave.quantities.trial import Air

GRAVITY = (0.0, 0.0, -9.81)
SPAN = 0.75
"""[s]; the tip peaks shortly before its end."""


def line() -> Line:
    """2.6 m, 0.1 to 0.002 kg/m, on a 0.2 m grip."""
    s = np.linspace(0, 2.6, 101)
    density = 0.1 * 0.02 ** (s / 2.6)
    diameter = np.sqrt(density / 900 * 4 / np.pi)
    stiffness = 1e-2 * (diameter / diameter[0]) ** 2.5  # a plaited line: 7e-5 N m2 at the tip
    return Line(s, diameter, density, stiffness, handle_length=0.2)


def chain(links: int, ratio: float = 1.0, power: float = 1.0) -> Chain:
    """The line in about `links` links, `ratio` times closer at the tip than at the grip."""
    whole = line()
    low, high = 0.001, 2.4
    for _ in range(50):
        tip = np.sqrt(low * high)
        nodes = stations(whole, np.empty(0), ratio * tip, tip, power)
        low, high = (tip, high) if nodes.size - 1 > links else (low, tip)
    return build(whole, nodes, whole.bending_stiffness)


def grip() -> Grip:
    """Half a second of swing, out of plane by a tenth."""
    t = np.linspace(0, 1.2, 601)
    pulse = np.exp(-(((t - 0.45) / 0.2) ** 2))
    angle = 1.2 * np.sin(2 * np.pi * t / 0.6) * pulse
    place = np.stack([0.5 * np.sin(2 * np.pi * t / 0.7) * pulse, 0.1 * np.sin(5 * t) * t,
                      1.5 + 0 * t], axis=1)  # fmt: skip
    return Grip(t, place, np.stack([np.sin(angle), 0.1 * np.sin(3 * t), -np.cos(angle)], axis=1))


def run(
    body: Chain, rtol: float, implicit: bool | None = None, outputs: int = 3
) -> tuple[Trajectory, float]:
    """The motion and its peak tip speed [m/s]; with 2 outputs only the ends, to time it."""
    times = np.linspace(0, SPAN, outputs)
    if outputs > 2:  # the peak is some 50 us wide
        times = np.concatenate([np.linspace(0, 0.68, 69)[:-1], np.linspace(0.68, SPAN, 3501)])
    motion = simulate(body, grip(), medium(Air()), GRAVITY, Law(), times, rtol=rtol,
                      implicit=implicit)  # fmt: skip
    return motion, float(np.linalg.norm(motion.velocity[:, -1], axis=1).max())
