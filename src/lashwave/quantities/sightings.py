"""What the instruments saw: each sighting with its place, time, clock and standard deviation."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.quantities.arrays import Array, Mask
from lashwave.quantities.calibration import Calibration


@dataclass(frozen=True)
class SpacePoints:
    """P points of cameras that expose at the same times, by frame."""

    frame: NDArray[np.int64]
    """(P,) not falling"""
    position: Array
    """(P, 3) [m], lab frame."""
    covariance: Array
    """(P, 3, 3) [m2]"""
    views: NDArray[np.int64]
    """(P, C) index into each camera's dots; -1 where the camera did not see the point."""
    chi2: Array
    """(P,) of the image residuals, 2 times the cameras less 3 degrees of freedom."""
    track: NDArray[np.int64]
    """(P,) number of the point's track over time."""

    @property
    def sd(self) -> Array:
        """(P,) root-mean-square standard deviation of a coordinate [m]."""
        return np.asarray(np.sqrt(np.trace(self.covariance, axis1=1, axis2=2) / 3.0))


@dataclass(frozen=True)
class Markers:
    """Marker samples on one uniform rate; the lab clock is theirs."""

    time: Array
    """(T,) [s], uniform, every sample of the record."""
    labels: tuple[str, ...]
    """L labels: those with a station, then those on the handle; others are left out."""
    position: Array
    """(T, L, 3) [m], nan where a marker was not seen."""
    sd: Array
    """(T, L) [m], standard deviation of one coordinate."""
    station: Array
    """(L,) [m]; nan for a handle marker, whose place on the grip is unknown."""
    unlabelled_time: Array = field(default_factory=lambda: np.empty(0))
    """(U,) [s] of points with no label."""
    unlabelled_position: Array = field(default_factory=lambda: np.empty((0, 3)))
    """(U, 3) [m]"""
    mass: float = 0.0
    """Of one marker [kg]."""
    diameter: float = 0.0
    """Of one marker [m]."""
    station_sd: float = 0.0
    """How well the stations are known [m]."""
    stand_off: float = 0.0
    """Distance of a marker's centre from the line's axis [m], direction unknown."""
    exposure: float = 0.0
    """Over which a sample is the mean place [s]; its time is the middle."""

    @property
    def rate(self) -> float:
        """Samples a second [Hz]."""
        return float((self.time.size - 1) / (self.time[-1] - self.time[0]))

    @property
    def spread(self) -> Array:
        """(T, L) deviation of a coordinate about the line's axis [m]: noise, and stand-off.

        A stand-off turns with the line about an axis that is not followed; it enters as a spread of
        stand_off / sqrt(2) in each coordinate across the line, about stand_off / sqrt(3) on
        average.
        """
        return np.asarray(np.hypot(self.sd, self.stand_off / np.sqrt(3.0)))

    @property
    def on_handle(self) -> NDArray[np.bool_]:
        """(L,), no unit: true for markers fixed to the grip off the line's axis."""
        return np.isnan(self.station)


@dataclass(frozen=True)
class Clock:
    """Lab time = offset + (1 + drift) * frame / rate; offset and drift known to their sd."""

    offset: float = 0.0
    """[s]"""
    offset_sd: float = 2e-3
    """[s]"""
    drift_sd: float = 0.0
    """[1]"""


@dataclass(frozen=True)
class Fronts:
    """Points along the pressure fronts seen in a camera's images, by frame and front."""

    frame: NDArray[np.int64]
    """(P,)"""
    number: NDArray[np.int64]
    """(P,) which front; one keeps its number from frame to frame."""
    uv: Array
    """(P, 2) [px]"""
    sd: Array
    """(P,) of one image coordinate [px]"""


@dataclass(frozen=True)
class TuftWidths:
    """How wide the tuft stands, over a camera's frames."""

    frame: NDArray[np.int64]
    """(F,) increasing"""
    width: Array
    """(F,) [m]"""
    sd: Array
    """(F,) [m]"""


@dataclass(frozen=True)
class Onset:
    """Arrival of a sound at a microphone."""

    microphone: str
    """As `Microphone.label` calls it."""
    time: float
    """[s], lab clock"""
    sd: float
    """[s], the clock's own included"""
    peak: float | None = None
    """Largest swing, with its sign [full scale]; None where it is not known."""
    peak_sd: float = 0.0
    """[full scale]"""
    clipped: bool = False
    """The peak is a lower bound."""
    rate: float | None = None
    """Samples a second of the record [Hz]."""


def even_frames(stamps: Array | None, rate: float, frame: ArrayLike) -> Array:
    """Frames (...,) [1] of `Camera.stamps` as an even clock of that rate [Hz] would count them."""
    own = np.asarray(frame, dtype=float)
    if stamps is None:
        return own
    number, time = stamps.T
    before, after = np.minimum(own - number[0], 0.0), np.maximum(own - number[-1], 0.0)
    return np.asarray(np.interp(own, number, time * rate) + before + after)


class Window(NamedTuple):
    """A part of a film's pictures, in whole pixels of the film."""

    left: int
    top: int
    width: int
    height: int

    @property
    def corner(self) -> Array:
        """(2,) [px] of the film, of the part's first pixel."""
        return np.array([self.left, self.top], dtype=float)

    @property
    def size(self) -> tuple[int, int]:
        """Width, height [px]."""
        return self.width, self.height

    def overlaps(self, other: Window) -> bool:
        """Whether a pixel is in both."""
        return (
            self.left < other.left + other.width
            and other.left < self.left + self.width
            and self.top < other.top + other.height
            and other.top < self.top + self.height
        )


@dataclass(frozen=True)
class Marks:
    """Points at rest whose places are known, as a camera sees them: they say whether it moved."""

    labels: tuple[str, ...]
    place: Array
    """(K, 3) [m]"""
    sd: Array
    """(K,) of one coordinate of the place [m]."""
    uv: Array
    """(K, 2) [px]; nan where they are still to be found in the images."""


@dataclass(frozen=True)
class Camera:
    """A camera and the points that were tracked in its images."""

    name: str
    rate: float
    """Frames a second [Hz]."""
    size: tuple[int, int]
    """Width, height [px]."""
    projection: Array
    """(3, 4): homogeneous lab metres to px. Last row [0, 0, 0, 1] = parallel light."""
    clock: Clock
    sd: float
    """Standard deviation of one image coordinate [px]."""
    exposure: float = 0.0
    """[s]"""
    shows: str = "schlieren"
    registration_sd: float = 0.0
    """Of the projection, as an offset in the image [px]."""
    calibration: Calibration | None = None
    """With the covariance of what was fitted; None where none is known, or the trial states
    `registration_sd` itself."""
    intrinsics: Array | None = None
    """(3, 3), with `distortion` only."""
    distortion: Array | None = None
    """(5,): k1, k2, p1, p2, k3; of a fisheye lens (4,): k1, k2, k3, k4."""
    mirrored: bool = False
    """Whether it looks through a mirror: right and left of its own frame are exchanged."""
    window: Window | None = None
    """Its part of the film's pictures, which show other views too; None: the whole. Image
    coordinates, projection and `size` are the whole film's all the same."""
    frame: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    """(P,) frame of each point, counted from 0."""
    station: Array = field(default_factory=lambda: np.empty(0))
    """(P,) arc length of the feature seen [m]."""
    uv: Array = field(default_factory=lambda: np.empty((0, 2)))
    """(P, 2) [px]; pixel centres are whole numbers, u right, v down."""
    point_sd: Array = field(default_factory=lambda: np.empty(0))
    """(P,) [px]"""
    flashes: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    """(F,) frames in which the marker system's strobe is seen."""
    fronts: Fronts | None = None
    tuft: TuftWidths | None = None
    stamps: Array | None = None
    """(N, 2): frames, increasing, and the time of each on the camera's own clock [s], as it
    counts from frame 0; None where frames follow each other evenly, at frame / rate."""
    marks: Marks | None = None
    register: bool = False
    """Whether it is taken as its marks say that it stands now, should it have moved."""
    flash_times: Array | None = None
    """(M,) [s] on the lab clock, of strobe flashes that a channel recorded; None where one falls
    at each marker sample."""

    def strobe(self, samples: Array) -> Array:
        """(M,) [s] lab times of strobe flashes, where the markers' samples are at `samples` [s]."""
        return samples if self.flash_times is None else self.flash_times

    def points_at(self, station: float) -> Mask:
        """(P,), which points are of a station [m]."""
        return np.asarray(np.abs(self.station - station) < 1e-6)

    def counted(self, frame: ArrayLike) -> Array:
        """Frames (...,) as an even clock of the camera's rate would count them, real numbers [1].

        Frame 0 is 0. Between stamped frames times are linear, beyond them at the rate.
        """
        return even_frames(self.stamps, self.rate, frame)
