"""Images of the bench's cameras, rendered when they are asked for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lashwave.instruments import (
    Backdrop,
    Light,
    SoundSource,
    Strands,
    dot_light,
    fan,
    frame_time,
    front_light,
    over_exposure,
    project,
    read_out,
    shadow,
    strobe_light,
)
from lashwave.quantities import Array, Camera, Image, Line
from lashwave.twin.instrument_setting import Setting
from lashwave.twin.truth import TrueMotion

OPAQUE = 0.985
"""Share of light that the line keeps off its own shadow; the rest is scattered around it."""
TUFT_RISE, TUFT_FALL = 0.12e-3, 2.5e-3
"""How fast strands spread after the peak of the tip's speed and draw together again [s]."""


class Film:
    """Images by number, made when asked for, the same each time: see `quantities.images.Frames`."""

    def __init__(self, camera: Camera, bits: int, count: int, seed: tuple[int, ...]) -> None:
        self.camera, self.bits, self._count, self._seed = camera, bits, count, seed

    @property
    def size(self) -> tuple[int, int]:
        """Width and height [px]."""
        return self.camera.size

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[Image]:
        return (self[frame] for frame in range(self._count))

    def __getitem__(self, frame: int) -> Image:
        if not 0 <= frame < self._count:
            raise IndexError(f"frame {frame} of {self._count}")
        return self._image(frame, np.random.default_rng([*self._seed, frame]))

    def _image(self, frame: int, rng: np.random.Generator) -> Image:
        raise NotImplementedError


@dataclass(frozen=True)
class DrawnTuft:
    """The tuft as the fast camera sees it."""

    strands: Strands
    length: float
    """[m]"""
    narrow: float
    """[m]"""
    wide: float
    """[m]"""
    peak: float
    """[s], of the tip's speed."""

    def width(self, times: Array) -> Array:
        """(Q,) [m] between the outermost strands: it spreads as the tip turns, then draws in."""
        late = times - self.peak
        open_ = 1.0 / (1.0 + np.exp(np.clip(-late / TUFT_RISE, -60.0, 60.0)))
        share = open_ * np.exp(-np.maximum(late, 0.0) / TUFT_FALL)
        return np.asarray(self.narrow + (self.wide - self.narrow) * share)


@dataclass(frozen=True)
class Stage:
    """What stands before a fast camera, beside the camera itself."""

    path: TrueMotion
    line: Line
    tuft: DrawnTuft | None
    source: SoundSource | None
    sound: float
    """Speed of sound [m/s]."""
    backdrop: Backdrop
    flashes: Array
    """(M,) [s], middles."""


class SchlierenFilm(Film):
    """Frames of a fast camera in parallel light.

    camera : as it truly stands, its registration and clock offset right.
    """

    def __init__(
        self,
        camera: Camera,
        drift: float,
        stage: Stage,
        setting: Setting,
        count: int,
        seed: tuple[int, ...],
    ) -> None:
        super().__init__(camera, setting.schlieren_sensor.bits, count, seed)
        self.drift, self.stage, self.setting = drift, stage, setting
        self.scale = float(np.linalg.norm(camera.projection[0, :3]))

    def times(self, frames: Array) -> Array:
        """True lab times [s] (F,) of the middles of exposures."""
        return frame_time(self.camera.rate, frames, self.camera.clock.offset, self.drift)

    def _image(self, frame: int, rng: np.random.Generator) -> Image:
        return read_out(self.light(frame), self.setting.schlieren_sensor, rng)

    def light(self, frame: int) -> Light:
        """Light (H, W) [electrons] of one frame, without noise."""
        stage, setting, camera = self.stage, self.setting, self.camera
        time = float(self.times(np.array(float(frame))))
        light = stage.backdrop.at(time)
        recent = self._recent(time)
        if recent is not None:
            light *= 1.0 + front_light(camera, recent, time, stage.sound, setting.knife)
        for where, dark in self._dark(time):
            light[where] *= 1.0 - np.float32(OPAQUE) * dark
        flash = strobe_light(setting.strobe, stage.flashes, np.array([time]), camera.exposure)
        light = np.maximum(light + np.float32(flash[0]), 0.0)
        return np.asarray(light * np.float32(setting.plain * setting.schlieren_sensor.full_well))

    def _recent(self, time: float) -> SoundSource | None:
        """The part of the source whose wavelets may still be in the image."""
        source = self.stage.source
        if source is None:
            return None
        across = 1.6 * float(np.hypot(*self.camera.size)) / self.scale
        sent = source.time[:, 0]
        keep = (sent < time) & (sent > time - across / self.stage.sound)
        if keep.sum() < 3:
            return None
        return SoundSource(source.time[keep], source.place[keep], source.strength[keep])

    def _dark(self, time: float) -> Iterator[tuple[tuple[slice, slice], Light]]:
        """Shadows of the line and of each strand of its tuft."""
        stage, camera, blur = self.stage, self.camera, self.setting.blur
        station = stage.path.station
        path, weights = over_exposure(camera, time, lambda t: stage.path.at(t, station)[0], blur)
        width = self.scale * np.interp(station, stage.line.station, stage.line.diameter)
        yield shadow(camera.size, path, width, blur, weights=weights)
        tuft = stage.tuft
        if tuft is None:
            return
        back = int(np.searchsorted(station, station[-1] - 0.012))
        ahead = path[:, -1] - path[:, back]
        ahead /= np.linalg.norm(ahead, axis=-1, keepdims=True)
        shift = camera.projection[:2, :3] @ stage.path.at(np.array([time]), station[-1:])[1][0, 0]
        trail = -0.25 * tuft.length * shift / stage.sound
        length, spread = tuft.length * self.scale, float(tuft.width(np.array(time))) * self.scale
        fans = np.stack(
            [
                fan(tuft.strands, tip, way, length, spread, trail)
                for tip, way in zip(path[:, -1], ahead, strict=True)
            ]
        )
        for n in range(fans.shape[1]):
            thin = tuft.strands.thickness * self.scale
            yield shadow(camera.size, fans[:, n], thin, blur, weights=weights)


@dataclass(frozen=True)
class DotScene:
    """Bright dots before the infrared cameras: markers that are seen, and reflections."""

    path: TrueMotion
    time: Array
    """(T,) [s], one a frame."""
    station: Array
    """(L,) [m], of the axis point that each marker moves with."""
    offset: Array
    """(T, L, 3) [m], from that point to the marker; held still over an exposure."""
    seen: NDArray[np.bool_]
    """(T, L)"""
    stray: tuple[Array, ...]
    """T arrays (R, 3) [m]: reflections, which do not move over an exposure."""
    bright: Array
    """(L,) light of each marker over the usual."""

    def places(self, frame: int, times: Array) -> Array:
        """(Q, D, 3) [m]: seen markers in order, then reflections."""
        seen = self.seen[frame]
        axis = self.path.at(times, self.station[seen])[0]
        stray = np.broadcast_to(self.stray[frame], (times.size, *self.stray[frame].shape))
        return np.concatenate([axis + self.offset[frame, seen], stray], axis=1)


class InfraredFilm(Film):
    """Frames of an infrared camera, one a marker sample."""

    def __init__(
        self, camera: Camera, scene: DotScene, setting: Setting, seed: tuple[int, ...]
    ) -> None:
        super().__init__(camera, setting.infrared_sensor.bits, scene.time.size, seed)
        self.scene, self.setting = scene, setting

    def paths(self, frame: int) -> tuple[Array, Array]:
        """Centres (Q, D, 2) [px] over one exposure and its weights (Q,)."""
        scene, camera = self.scene, self.camera
        # The record's own ends bound the motion: the first and last exposures reach past them.
        half = 0.5 * camera.exposure
        middle = float(np.clip(scene.time[frame], half, scene.path.time[-1] - half))
        return over_exposure(
            camera, middle, lambda t: scene.places(frame, t), self.setting.spot.spread
        )

    def light(self, frame: int) -> Light:
        """Light (H, W) [electrons] of one frame, without noise."""
        setting, scene = self.setting, self.scene
        path, weights = self.paths(frame)
        places = scene.places(frame, scene.time[frame : frame + 1])[0]
        bright = np.concatenate([scene.bright[scene.seen[frame]], np.ones(len(scene.stray[frame]))])
        rows = self.camera.projection
        depth = (places @ rows[2, :3] + rows[2, 3]) / np.linalg.norm(rows[2, :3])
        electrons = setting.dot_light * bright * (setting.dot_distance / depth) ** 2
        light = dot_light(self.size, path, weights, electrons, setting.spot)
        light += np.float32(setting.haze)
        return light

    def _image(self, frame: int, rng: np.random.Generator) -> Image:
        return read_out(self.light(frame), self.setting.infrared_sensor, rng)


def centres(film: InfraredFilm, frame: int) -> tuple[Array, Array]:
    """True centroids (D, 2) of a frame's dots and lengths (D,) of their streaks [px]."""
    path, weights = film.paths(frame)
    ends = replace(film.camera, exposure=0.0)
    half = 0.5 * film.camera.exposure
    time = film.scene.time[frame] + np.array([-half, half])
    time = np.clip(time, film.scene.path.time[0], film.scene.path.time[-1])
    span = np.diff(project(ends, film.scene.places(frame, time)), axis=0)[0]
    return np.einsum("q,qdc->dc", weights, path), np.linalg.norm(span, axis=-1)
