"""How the bench's picture-taking instruments are set up around a throw."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lashwave.instruments import Hearing, Knife, Sensor, Spot, Strobe
from lashwave.quantities import Array, Camera, Clock


@dataclass(frozen=True)
class Setting:
    """What an experimenter chooses."""

    frames: int = 240
    """Of each fast camera, about the peak of the tip's speed."""
    infrared: int = 4
    """Infrared cameras around the bench, 3 to 6."""
    infrared_size: tuple[int, int] = (1280, 1024)
    infrared_exposure: float = 200e-6
    """[s]"""
    dot_light: float = 25e3
    """Electrons of a marker, seen from `dot_distance`."""
    dot_distance: float = 5.0
    """[m]"""
    haze: float = 40.0
    """Electrons of an infrared camera's background."""
    spot: Spot = field(default_factory=Spot)
    infrared_sensor: Sensor = field(
        default_factory=lambda: Sensor(bits=8, full_well=10e3, read_noise=16.0, dark=150.0)
    )
    plain: float = 0.55
    """Light of the plain schlieren backdrop over full scale."""
    schlieren_sensor: Sensor = field(
        default_factory=lambda: Sensor(bits=8, full_well=16e3, read_noise=25.0, dark=500.0)
    )
    blur: float = 0.65
    """Of the schlieren optics with the pixel itself, standard deviation [px]."""
    strobe: Strobe = field(default_factory=Strobe)
    knife: Knife = field(default_factory=Knife)
    hearing: Hearing = field(default_factory=Hearing)
    microphones: int = 1
    """More than one share a recorder, and so a clock."""
    microphone_distance: float = 1.2
    """From the crack [m]."""
    clock_sd: float = 1e-4
    """Of the microphone's clock [s]."""
    crack: float = 10.0
    """Strength of the source at the speed of sound [Pa m]: an order, no more."""


@dataclass(frozen=True)
class Recording:
    """A microphone's record."""

    name: str
    position: Array
    """(3,) [m]"""
    hearing: Hearing
    clock: Clock
    """As stated."""
    true_offset: float
    """[s], lab time of the first sample."""
    volts: Array = field(repr=False)
    """(K,)"""
    recorder: str | None = None
    """Whose clock it shares."""


def stand_around(
    places: Array, setting: Setting, rate: float, rng: np.random.Generator
) -> tuple[Camera, ...]:
    """Infrared cameras on a ring about the bench, each of which holds all places (P, 3) [m]."""
    size = np.array(setting.infrared_size, dtype=float)
    low, high = places.min(axis=0), places.max(axis=0)
    middle, reach = 0.5 * (low + high), 0.5 * float(np.linalg.norm(high - low))
    centre = 0.5 * (size - 1.0)
    cameras = []
    turn = rng.uniform(0, 2 * np.pi)
    for k in range(setting.infrared):
        angle = turn + 2 * np.pi * (k + rng.uniform(-0.12, 0.12)) / setting.infrared
        distance = reach * rng.uniform(2.1, 2.5)
        rise = rng.uniform(-0.1, 0.35)
        toward = -np.array(
            [np.cos(rise) * np.cos(angle), np.cos(rise) * np.sin(angle), np.sin(rise)]
        )
        place = middle - distance * toward
        right = np.cross(toward, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        turned = np.stack([right, np.cross(toward, right), toward])
        seen = (places - place) @ turned.T
        focal = float((0.46 * size / np.abs(seen[:, :2] / seen[:, 2:]).max(axis=0)).min())
        inner = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
        projection = inner @ np.column_stack([turned, -turned @ place])
        cameras.append(
            Camera(
                name=f"infrared-{k + 1}",
                rate=rate,
                size=setting.infrared_size,
                projection=projection,
                clock=Clock(0.0, 0.0),
                sd=0.1,
                exposure=setting.infrared_exposure,
                shows="dots",
            )
        )
    return tuple(cameras)
