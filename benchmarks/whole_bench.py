"""The two set-ups of `whole_way`: cameras, boards, films and sound as an experimenter's files."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.second_film import Crack, View, film, sound
from benchmarks.second_pictures import Array, Eye, Sensor, balls, board_picture, sheet
from lashwave.files import toml_text, write_wav
from lashwave.mechanics import medium
from lashwave.twin.throw_scene import ThrowScene
from lashwave.twin.truth import TrueMotion

MARKER_RATE = 500.0
WINDOW = 0.34
"""Width of the fast camera's view [m]."""


@dataclass(frozen=True)
class SetUp:
    """One room, its cameras and its habits."""

    name: str
    eyes: tuple[Eye, ...]
    sensor: Sensor
    board: str
    exposure: float
    """Of the cameras that see markers [s]."""
    fast_rate: float
    fast_size: int
    turned: float
    """Of the fast camera's view about the vertical [rad]."""
    knife: bool
    round_end: bool
    microphones: int


MIDDLE = (0.0, 0.0, 1.5)
A = SetUp(
    "A",
    (
        Eye("ir1", (-3.4, -3.6, 2.3), MIDDLE, 1010.0),
        Eye("ir2", (-0.9, -5.0, 1.2), MIDDLE, 1060.0, lens=(-0.10, 0.02, 2e-4, 3e-4)),
        Eye("ir3", (1.6, -4.7, 2.9), MIDDLE, 1040.0, lens=(-0.14, 0.05, -3e-4, 1e-4)),
        Eye("ir4", (3.7, -3.3, 1.0), MIDDLE, 1000.0, lens=(-0.11, 0.03, 1e-4, -2e-4)),
    ),
    Sensor(glare=2600.0), "chessboard", 1e-4, 20010.0, 1024, 0.0, True, True, 1,
)  # fmt: skip
B = SetUp(
    "B",
    (
        Eye("ir1", (-3.1, -4.1, 0.6), MIDDLE, 980.0, lens=(-0.21, 0.08, -4e-4, 2e-4)),
        Eye("ir2", (0.4, -5.1, 3.1), MIDDLE, 1020.0, lens=(-0.18, 0.06, 3e-4, 5e-4)),
        Eye("ir3", (3.5, -3.9, 1.4), MIDDLE, 990.0, lens=(-0.20, 0.07, 1e-4, -4e-4)),
    ),
    Sensor(0.4, 1.2, 2.6, 12.0, 16.0, 3200.0, 0.012), "charuco", 1.5e-4, 25020.0, 768, 0.35, False,
    False, 3,
)  # fmt: skip
SETUPS = {"A": A, "B": B}
SQUARES, SQUARE, CODE = (9, 6), 0.2, 0.14


def save(path: Path, image: NDArray[np.uint8]) -> None:
    """A PNG file; most of it is noise, which no effort makes smaller."""
    path.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(path), image, [cv2.IMWRITE_PNG_COMPRESSION, 1])


def boards(setup: SetUp, folder: Path, count: int) -> None:
    """Pictures of a board for each camera, the first at a known place, and the plans."""
    printed = sheet(setup.board, SQUARES, SQUARE, CODE)
    straight = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
    middle = np.array([0.0, 0.3, 1.5])
    # A chessboard's first inner corner is one square in from its edge, a charuco's origin is none.
    first = 0 if setup.board == "charuco" else 1
    corner = [first - 0.5 * SQUARES[0], first - 0.5 * SQUARES[1]]
    origin = middle + SQUARE * (corner[0] * straight[0] + corner[1] * straight[1])
    for number, eye in enumerate(setup.eyes):
        rng = np.random.default_rng([3, number, len(setup.name) + ord(setup.name)])
        save(folder / f"{eye.name}-boards/00.png",
             board_picture(eye, setup.sensor, printed, (middle, straight), rng))  # fmt: skip
        for k in range(1, count):
            spot = np.array([0.25 + 0.25 * (k % 3), 0.28 + 0.22 * (k // 3 % 3)]) * eye.size
            ray = eye.rays(spot[None])[0]
            tilt = rng.uniform(0.35, 0.6, 2) * rng.choice([-1.0, 1.0], 2)
            right = eye.turn[0] + tilt[0] * eye.turn[2] + rng.uniform(-0.2, 0.2) * eye.turn[1]
            right /= np.linalg.norm(right)
            down = eye.turn[1] + tilt[1] * eye.turn[2]
            down -= (down @ right) * right
            axes = np.stack([right, down / np.linalg.norm(down)])
            place = np.asarray(eye.place) + rng.uniform(2.3, 3.2) * ray
            save(folder / f"{eye.name}-boards/{k:02d}.png",
                 board_picture(eye, setup.sensor, printed, (place, axes), rng))  # fmt: skip
        table: dict[str, Any] = {
            "images": f"{eye.name}-boards/*.png", "pattern": setup.board, "squares": list(SQUARES),
            "square": f"{1e3 * SQUARE:g} mm", "distortion": ["k1", "k2", "p1", "p2"],
            "reference": f"{eye.name}-boards/00.png", "origin": origin.tolist(),
            "x_axis": straight[0].tolist(),
            # A charuco's second axis runs down its print; a chessboard's as well.
            "y_axis": straight[1].tolist(),
        }  # fmt: skip
        if setup.board == "charuco":
            table |= {"marker": f"{1e3 * CODE:g} mm", "dictionary": "5x5_100"}
        plan = {"kind": "board", "camera": {"name": eye.name, "size": list(eye.size)},
                "board": table}  # fmt: skip
        (folder / f"{eye.name}-plan.toml").write_text(toml_text(plan), encoding="utf-8")


@dataclass(frozen=True)
class Throw:
    """A throw before a set-up, its record beginning at 0."""

    setup: SetUp
    scene: ThrowScene
    path: TrueMotion
    peak: float
    """[s]"""
    sound: float
    """[m/s]"""
    view: View
    seed: int

    @classmethod
    def of(
        cls, setup: SetUp, scene: ThrowScene, path: TrueMotion, last: float | None, frames: int
    ) -> Throw:
        """The last part [s] of a motion before its peak, and what follows that."""
        speed = np.linalg.norm(path.velocity[:, -1], axis=-1)
        peak = float(path.time[speed.argmax()])
        first = 0.0 if last is None else max(0.0, np.floor((peak - last) * MARKER_RATE))
        first /= 1.0 if last is None else MARKER_RATE
        moved = replace(path, time=path.time - first)
        rng = np.random.default_rng([scene.seed, ord(setup.name)])
        tip = moved.at(np.array([peak - first]), path.station[-1:])[0][0, 0]
        right = np.array([np.cos(setup.turned), np.sin(setup.turned), 0.0])
        aim = tip + rng.uniform(-0.05, 0.05, 3)
        start = peak - first - 0.5 * frames / setup.fast_rate + rng.uniform(-4e-4, 4e-4)
        view = View(
            aim, right, setup.fast_size / WINDOW, setup.fast_size, setup.fast_rate, start,
            float(rng.normal(0.0, 3e-6)), 1e-6, setup.knife, setup.round_end,
        )  # fmt: skip
        air = float(medium(scene.air).sound_speed)
        return cls(setup, scene, moved, peak - first, air, view, scene.seed)

    @property
    def samples(self) -> Array:
        """Times of the markers' samples (T,) [s]."""
        return np.arange(0, int(self.path.time[-1] * MARKER_RATE + 1e-6) + 1) / MARKER_RATE

    @property
    def labels(self) -> list[str]:
        """Of the markers, those on the grip first."""
        grip = int((self.scene.lash.station < self.scene.lash.true.handle_length).sum())
        count = self.scene.lash.station.size
        return [f"G{k + 1}" for k in range(grip)] + [f"M{k + 1:02d}" for k in range(count - grip)]


def described(throw: Throw) -> dict[str, Any]:
    """The description that both trials of a throw share."""
    lash, air = throw.scene.lash, throw.scene.air
    line: dict[str, Any] = {
        "table": "line.csv",
        "handle_length": f"{lash.stated.handle_length:.5f} m",
    }
    if lash.stated.tuft is not None:
        tuft = lash.stated.tuft
        line["tuft"] = {"area": f"{tuft.area:.3e} m^2", "area_sd": f"{tuft.area_sd:.3e} m^2",
                        "mass": f"{tuft.mass:.3e} kg"}  # fmt: skip
    stations = {n: f"{s:.4f} m" for n, s in zip(throw.labels, lash.stated_station, strict=True)}
    markers = {
        "file": "markers.csv", "sd": "0.3 mm", "mass": f"{lash.marker_mass:.4e} kg",
        "diameter": f"{lash.marker_diameter:.4e} m", "station_sd": f"{lash.station_sd:.4e} m",
        "stations": stations,
    }  # fmt: skip
    return {
        "schema": 1,
        "trial": {"name": f"whole-{throw.seed}-{throw.setup.name}"},
        "air": {"temperature": f"{air.temperature} K", "pressure": f"{air.pressure} Pa",
                "relative_humidity": air.relative_humidity},
        "line": line, "markers": markers, "cameras": [fast_table(throw)], "microphones": [],
    }  # fmt: skip


def fast_table(throw: Throw) -> dict[str, Any]:
    """What is stated of the fast camera whatever it gives."""
    rng = np.random.default_rng([throw.seed, 5, ord(throw.setup.name)])
    stated = throw.view.start + float(rng.normal(0.0, 1e-3))
    return {
        "name": "fast", "rate": f"{throw.setup.fast_rate:g} Hz", "exposure": "1 us",
        "shows": "schlieren", "stations": {"tip": f"{throw.scene.lash.true.length:.6f} m"},
        "clock": {"offset": f"{stated:.6f} s", "offset_sd": "2 ms", "drift_sd": 5e-6},
    }  # fmt: skip


def write_line(path: Path, throw: Throw) -> None:
    """The measured table of the line."""
    line = throw.scene.lash.stated
    names = {"diameter": "mm", "linear_density": "g/m", "bending_stiffness": "N m^2"}
    columns, heading = [line.station], ["station [m]"]
    for name, unit in names.items():
        scale = 1.0 if name == "bending_stiffness" else 1e3
        for key in (name, f"{name}_sd"):
            values = line.column_sd.get(name) if key.endswith("_sd") else getattr(line, name)
            if values is not None:
                columns.append(scale * values)
                heading.append(f"{key} [{unit}]")
    rows = [
        ",".join(heading),
        *(",".join(f"{x:.8g}" for x in row) for row in np.column_stack(columns)),
    ]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def marker_films(throw: Throw, folder: Path) -> None:
    """Pictures of the markers, and of three reflections that are none."""
    setup, lash = throw.setup, throw.scene.lash
    rng = np.random.default_rng([throw.seed, 6, ord(setup.name)])
    stray = rng.uniform([-2.0, 0.8, -0.2], [2.0, 1.6, 0.4], (3, 3))
    radius = np.full(lash.station.size + 3, 0.5 * lash.marker_diameter)
    radius *= rng.uniform(0.85, 1.15, radius.size)
    for k, time in enumerate(throw.samples):
        place, velocity = (part[0] for part in throw.path.at(np.array([time]), lash.station))
        place, velocity = np.concatenate([place, stray]), np.pad(velocity, ((0, 3), (0, 0)))
        for eye in setup.eyes:
            image = balls(eye, setup.sensor, place, velocity, radius, setup.exposure, rng)
            save(folder / eye.name / f"{k:05d}.png", image)


def scale_plan(throw: Throw, folder: Path) -> None:
    """Marks of a scale in the fast camera's view as read by hand, and the plan."""
    rng = np.random.default_rng([throw.seed, 7, ord(throw.setup.name)])
    view = throw.view
    a, b = (m.ravel() for m in np.meshgrid(np.arange(-5, 6) * 0.03, np.arange(-5, 6) * 0.03))
    places = view.aim + a[:, None] * view.right + b[:, None] * np.array([0.0, 0.0, 1.0])
    uv = view.pixels(places) + rng.normal(0.0, 0.2, (a.size, 2))
    rows = ["a [mm],b [mm],u [px],v [px]"]
    rows += [
        f"{1e3 * x:.1f},{1e3 * y:.1f},{u:.3f},{v:.3f}"
        for x, y, (u, v) in zip(a, b, uv, strict=True)
    ]
    (folder / "marks.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    table = {"marks": "marks.csv", "origin": view.aim.tolist(), "x_axis": view.right.tolist(),
             "y_axis": [0.0, 0.0, 1.0]}  # fmt: skip
    plan = {"kind": "scale", "camera": {"name": "fast", "size": [view.size, view.size]},
            "scale": table}  # fmt: skip
    (folder / "fast-plan.toml").write_text(toml_text(plan), encoding="utf-8")


def fast_film(throw: Throw, folder: Path, frames: int) -> None:
    """The fast camera's pictures."""
    line = throw.scene.lash.true
    rng = np.random.default_rng([throw.seed, 8, ord(throw.setup.name)])
    crack = Crack.of(throw.path, throw.sound)
    radius = (line.station, 0.5 * line.diameter)
    pictures = film(throw.view, throw.path, radius, crack, throw.samples, frames, rng)
    for k, image in enumerate(pictures):
        save(folder / "fast" / f"{k:05d}.png", image)


def sounds(throw: Throw, folder: Path) -> list[dict[str, Any]]:
    """Recordings of one or more microphones on one recorder; their tables."""
    rng = np.random.default_rng([throw.seed, 9, ord(throw.setup.name)])
    crack, rate = Crack.of(throw.path, throw.sound), 192000.0
    flight = crack.velocity[len(crack.time) // 2]
    ahead = flight / np.linalg.norm(flight)
    middle, tables = crack.place[len(crack.time) // 2], []
    first = float(rng.normal(0.0, 1e-4))
    for k in range(throw.setup.microphones):
        toward = ahead + rng.normal(0.0, 0.2 + 0.4 * (k > 0), 3)
        place = middle + rng.uniform(1.0, 1.5) * toward / np.linalg.norm(toward)
        count = int((throw.path.time[-1] - first) * rate)
        volts = sound(crack, place, first, count, rate, rng)
        write_wav(folder / f"mic{k + 1}.wav", volts, int(rate), 16)
        tables.append({"name": f"mic{k + 1}", "file": f"mic{k + 1}.wav", "recorder": "desk",
                       "position": place.tolist(),
                       "clock": {"offset": "0 s", "offset_sd": "0.1 ms"}})  # fmt: skip
    return tables


def perfect(throw: Throw, folder: Path, frames: int) -> None:
    """Points as good as an instrument's noise lets them be, where two cameras have them in view."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng([throw.seed, 10, ord(throw.setup.name)])
    view, lash = throw.view, throw.scene.lash
    write_line(folder / "line.csv", throw)
    place, velocity = throw.path.at(throw.samples, lash.station)
    seen = np.linalg.norm(velocity, axis=-1) * throw.setup.exposure < 0.03
    views = [eye.seen(place.reshape(-1, 3))[0] for eye in throw.setup.eyes]
    inside = [((uv > 0) & (uv < np.array(eye.size) - 1)).all(axis=1)
              for eye, uv in zip(throw.setup.eyes, views, strict=True)]  # fmt: skip
    seen &= (np.sum(inside, axis=0) >= 2).reshape(seen.shape)
    place = place + rng.normal(0.0, 0.3e-3, place.shape)
    rows = ["time [s],marker,x [m],y [m],z [m]"]
    for t, time in enumerate(throw.samples):
        rows += [f"{time:.6f},{throw.labels[m]},{x:.6f},{y:.6f},{z:.6f}"
                 for m, (x, y, z) in enumerate(place[t]) if seen[t, m]]  # fmt: skip
    (folder / "markers.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    rows, times = ["frame,feature,u [px],v [px]"], [view.time(f) for f in range(frames)]
    uv = view.pixels(throw.path.at(np.array(times), throw.path.station[-1:])[0][:, 0])
    inside = ((uv > 3) & (uv < view.size - 4)).all(axis=1)
    noisy = uv + rng.normal(0.0, 0.4, uv.shape)
    rows += [f"{f},tip,{noisy[f, 0]:.3f},{noisy[f, 1]:.3f}" for f in np.flatnonzero(inside)]
    (folder / "tip.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    every = (throw.samples - view.start) * view.rate / (1.0 + view.drift)
    flashes = np.rint(every[(every > -0.5) & (every < frames - 0.5)]).astype(int)
    text = "frame\n" + "".join(f"{f}\n" for f in flashes)
    (folder / "flashes.csv").write_text(text, encoding="utf-8")
    table = described(throw)
    table["cameras"][0] |= {
        "size": [view.size, view.size], "points": "tip.csv", "sd": "0.4 px",
        "flashes": "flashes.csv",
        "projection": [*view.rows.tolist(), [0.0, 0.0, 0.0, 1.0]],
    }  # fmt: skip
    (folder / "trial.toml").write_text(toml_text(table), encoding="utf-8")


def truth(throw: Throw, frames: int) -> dict[str, Any]:
    """What should come out, SI."""
    path, view = throw.path, throw.view
    speed = np.linalg.norm(path.velocity, axis=-1)
    tip = speed[:, -1]
    k = int(tip.argmax())
    born = np.flatnonzero((speed >= throw.sound).any(axis=1))
    birth = None
    if born.size:
        at = int(speed[born[0]].argmax())
        birth = [float(path.time[born[0]]), float(path.station[at])]
    times = np.array([view.time(f) for f in range(frames)])
    uv = view.pixels(path.at(times, path.station[-1:])[0][:, 0])
    inside = ((uv > 3) & (uv < view.size - 4)).all(axis=1)
    tips = {int(f): uv[f].tolist() for f in np.flatnonzero(inside)}
    known = {"peak_tip_speed": float(tip[k]), "peak": float(path.time[k]), "birth": birth}
    return known | {"clock": view.start, "tip": tips}


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML file's table."""
    return tomllib.loads(path.read_text(encoding="utf-8"))


def write_json(path: Path, record: dict[str, Any]) -> None:
    """Records as JSON, as a human reads them."""
    path.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
