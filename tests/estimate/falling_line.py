"""A line that stands on its grip and falls out of sight: to which side, nothing tells.

The grip stays in the plane y = 0, and the markers on the line are seen there while it stands. Then
they are lost, and a camera that looks along y sees the tip sink. Turned over at that plane, every
motion fits as well: an exact symmetry of the sightings and of the mechanics.
"""

from __future__ import annotations

import numpy as np

from lashwave.estimate.options import Options
from lashwave.mechanics import Law, Medium, build, medium, simulate
from lashwave.mechanics.grip import fixed
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Camera, Clock, Markers
from lashwave.quantities.trial import Air, Trial

LENGTH, GRIP, DURATION = 0.5, 0.1, 0.4
STATION = np.array([0.02, 0.09, 0.2, 0.3, 0.4, 0.48])
SEEN_UNTIL = 0.02
"""Of the markers on the line [s]."""
OPTIONS = Options(
    spacing_butt=0.06, spacing_tip=0.06, spacing_clamp=0.03, arms=False, longest_step=4e-3,
    floor_density=1e-3, grip_density=1e-2, rough_density=1e-6,
)  # fmt: skip
"""A fall moved by the estimate's own mechanics departs from them by little."""
RATE, SCALE = 500.0, 1000.0
"""Of camera and markers [1/s]; of the picture [px/m]."""


def falling_line(
    push: float = 0.15, links: int = 16, seen_until: float = SEEN_UNTIL
) -> tuple[Trial, np.ndarray]:
    """The trial, and the true places of the tip (T, 3) [m] at the markers' times.

    push : of the tip along y [m/s] as it stands at first, less in proportion toward the grip.
    """
    ends, two = np.array([0.0, LENGTH]), np.ones(2)
    line = Line(ends, 4e-3 * two, 0.02 * two, 1e-4 * two, handle_length=GRIP)
    station = np.concatenate([[0.0], np.linspace(GRIP, LENGTH, links + 1)])
    chain = build(line, station, np.full(2, 1e-4))
    time = np.arange(0.0, DURATION + 1e-9, 1.0 / RATE)
    up = np.array([0.0, 0.0, 1.0])
    start, speed = station[:, None] * up, np.zeros((station.size, 3))
    speed[:, 1] = push * np.maximum(station - GRIP, 0.0) / (LENGTH - GRIP)
    made = simulate(
        chain, fixed(np.zeros(3), up), Medium(*_air()), (0.0, 0.0, -9.81), Law(), time,
        start_position=start, start_velocity=speed,
    )  # fmt: skip
    tip = made.position[:, -1]
    position = np.tile(STATION[:, None] * up, (time.size, 1, 1))
    position[time > seen_until, 2:] = np.nan
    sd = np.tile(np.where(STATION < GRIP, 3e-4, 3e-3), (time.size, 1))
    labels = ("G1", "G2", "A", "B", "C", "D")
    markers = Markers(time, labels, position, sd, STATION)
    flat = np.array([[SCALE, 0.0, 0.0, 300.0], [0.0, 0.0, -SCALE, 600.0], [0.0, 0.0, 0.0, 1.0]])
    frame = np.arange(time.size)
    camera = Camera(
        "side", RATE, (640, 640), flat, Clock(0.0, 1e-6), 0.4, frame=frame,
        station=np.full(frame.size, LENGTH), point_sd=np.full(frame.size, 0.4),
        uv=np.stack([300.0 + SCALE * tip[:, 0], 600.0 - SCALE * tip[:, 2]], axis=1),
    )  # fmt: skip
    return Trial("falling line", line, markers, cameras=(camera,)), tip


def _air() -> tuple[float, float, float]:
    air = medium(Air())
    return air.density, air.viscosity, air.sound_speed
