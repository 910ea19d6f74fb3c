"""The sound of a moving source: spherical wavelets, sent at every moment, at the speed of sound.

A wavelet sent at tau from S(tau) arrives at X at t = tau + R / c, R = |X - S(tau)|, and
dt/dtau = 1 - M_r with M_r the source's Mach number toward X (Pierce, Acoustics,
1981). Where the source moves toward X at the speed of sound, wavelets sent over some time
arrive at one time: a front. Nothing else makes fronts here; no cone or circle is drawn.

In parallel light the picture of a wavelet is set by its silhouette, the circle of radius
c (t - tau) about the projected source, at all inclinations of the path: the silhouette of an
envelope is the envelope of the silhouettes. Light that crosses a thin shell of radius R near its
silhouette runs through it for a length that goes with sqrt(R); the wavelet's strength goes with
1/R; so a silhouette's strength goes with R^-1/2. What a shell does to light that crosses it inside
its silhouette is left out: it is smooth, and weaker by sqrt(thickness / R). Range: shells thin
against R (about 1 mm against more than 1 cm) and fronts weak: a shock of 1 kPa runs 0.4 % faster
than sound, which is left out.

A microphone records pressure by retarded times: the sum over the source's path of
strength / (R |1 - M_r|), each share at its arrival tau + R / c. It is laid into samples by arrival,
so that times at which several parts of the path arrive together need no search, and the pile-up
stays finite by the band of the microphone. The size is an order only: the strength of a real crack
is unknown, a point is no body, and nothing steepens on the way. Absorption (ISO 9613-1) and echoes
are left out; over 2 m absorption takes 1 dB at 20 kHz and 7 dB at 100 kHz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import butter, sosfilt

from lashwave.quantities import Array

OVERSAMPLING = 8
"""Of the pressure before the microphone's filters."""
SECTORS = 64
"""Parts of a ring, of which those outside the image are not drawn."""
CHUNK = 50_000
"""Points laid down at once; sets memory alone."""
GOLDEN = 0.5 * (np.sqrt(5.0) - 1.0)
"""Golden ratio less one: multiples of it fill a turn evenly."""


@dataclass(frozen=True)
class SoundSource:
    """Points that send out wavelets: one point, or several along a stretch of the line."""

    time: Array
    """(N, S) [s], increasing along N; emission times of each point."""
    place: Array
    """(N, S, 3) [m]"""
    strength: Array
    """(N, S) [Pa m]: pressure times distance of a source at rest."""


def arrival(source: SoundSource, place: ArrayLike, sound: float) -> tuple[Array, Array]:
    """Arrival times [s] and distances [m], (N, S) each, of the wavelets at one place (3,)."""
    distance = np.linalg.norm(np.asarray(place, dtype=float) - source.place, axis=-1)
    return source.time + distance / sound, distance


def pile_ups(time: Array, arrive: Array) -> tuple[Array, Array]:
    """Emission and arrival times [s] at which dt/dtau = 0: the fronts that pass a place.

    time : (N,) emission times, arrive : (N,) arrival times of one source point. Each turning point
    is placed by the parabola through its three samples.
    """
    step = np.diff(arrive)
    turn = np.flatnonzero(np.sign(step[1:]) * np.sign(step[:-1]) < 0) + 1
    left, right = time[turn - 1] - time[turn], time[turn + 1] - time[turn]
    a, b = arrive[turn - 1] - arrive[turn], arrive[turn + 1] - arrive[turn]
    curve = (b / right - a / left) / (right - left)
    slope = a / left - curve * left
    shift = -slope / (2.0 * curve)
    return time[turn] + shift, arrive[turn] + slope * shift + curve * shift**2


@dataclass(frozen=True)
class ImageGrid:
    """Square cells of an image in parallel light."""

    projection: Array
    """(3, 4), homogeneous lab metres to cells; cell centres are whole numbers."""
    shape: tuple[int, int]
    """Height, width [cells]."""

    @property
    def scale(self) -> float:
        """Cells a metre [1/m]; raises ValueError in light not parallel or cells not square."""
        rows = self.projection[:2, :3]
        square = rows @ rows.T
        if self.projection[2, :3].any() or not np.allclose(square, square[0, 0] * np.eye(2)):
            raise ValueError("wavelets need parallel light and square pixels")
        return float(np.sqrt(square[0, 0]) / self.projection[2, 3])

    def place(self, points: Array) -> Array:
        """(..., 2) cells of points (..., 3) [m]."""
        image = points @ self.projection[:2, :3].T + self.projection[:2, 3]
        return np.asarray(image / self.projection[2, 3])


def silhouettes(source: SoundSource, grid: ImageGrid, time: float, sound: float) -> Array:
    """Wavelets that an image in parallel light shows at one time, (height, width) [Pa].

    The sum over wavelets of strength * c dtau * delta(rho - R) * R^-1/2 * (1 m)^-1/2, rho being the
    distance of a cell from the projected source: at rest it is strength / R^1/2, and it piles up as
    |1 - M_r|^-1 does. Rings are laid down point by point, 1.2 cells apart, linearly shared among
    four cells; it is as fine as its cells, so blur it by at least one.

    source : sampled so finely that neighbouring rings lie under a cell apart: (c + speed) dtau.
        Points that send at the same moments leave a moire of about 1 %; let their times differ.
    """
    scale = grid.scale
    step = np.gradient(source.time, axis=0)
    radius = scale * sound * (time - source.time)  # cells
    centre = grid.place(source.place)
    spread = np.sqrt(np.maximum(radius, 1.0) / scale)
    weight = source.strength * step * sound / spread
    n, s = np.nonzero((radius > 1.0) & (source.strength > 0.0))
    centre, radius, weight = centre[n, s], radius[n, s], weight[n, s]
    image = np.zeros(grid.shape[0] * grid.shape[1])
    if n.size == 0:
        return image.reshape(grid.shape)
    ring, sector = _sectors_in_view(centre, radius, grid.shape)
    each = np.ceil(2 * np.pi * radius[ring] / (1.2 * SECTORS)).astype(np.int64)
    # A ring's weight is per cell across it; a point stands for its share of the circumference.
    load = weight[ring] * scale * 2 * np.pi * radius[ring] / (SECTORS * each)
    # Points of one ring start elsewhere than the next one's, lest they line up.
    phase = ring * GOLDEN % 1.0
    start = 0
    ends = np.cumsum(each)
    while start < ring.size:
        stop = int(np.searchsorted(ends, (ends[start - 1] if start else 0) + CHUNK)) + 1
        part = slice(start, min(stop, ring.size))
        mine = ring[part]
        _lay(image, grid.shape, centre[mine], radius[mine], sector[part], each[part],
             phase[part], load[part])  # fmt: skip
        start = part.stop
    return image.reshape(grid.shape)


def _sectors_in_view(
    centre: Array, radius: Array, shape: tuple[int, int]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Ring and sector number of every sector that may touch the image."""
    angle = (np.arange(SECTORS) + 0.5) * (2 * np.pi / SECTORS)
    u = centre[:, 0, None] + radius[:, None] * np.cos(angle)
    v = centre[:, 1, None] + radius[:, None] * np.sin(angle)
    margin = np.pi / SECTORS * radius[:, None] + 1.0
    near = (u > -margin) & (u < shape[1] + margin) & (v > -margin) & (v < shape[0] + margin)
    ring, sector = np.nonzero(near)
    return ring, sector


def _lay(
    image: Array,
    shape: tuple[int, int],
    centre: Array,
    radius: Array,
    sector: NDArray[np.intp],
    each: NDArray[np.int64],
    phase: Array,
    load: Array,
) -> None:
    """Add points of sectors to the flat image, shared bilinearly among four cells."""
    owner = np.repeat(np.arange(each.size), each)
    count = np.arange(owner.size) - np.repeat(np.cumsum(each) - each, each)
    angle = (sector[owner] + (count + phase[owner]) / each[owner]) * (2 * np.pi / SECTORS)
    u = centre[owner, 0] + radius[owner] * np.cos(angle)
    v = centre[owner, 1] + radius[owner] * np.sin(angle)
    inside = (u >= 0) & (u < shape[1] - 1) & (v >= 0) & (v < shape[0] - 1)
    u, v, load = u[inside], v[inside], load[owner[inside]]
    column, row = u.astype(np.int64), v.astype(np.int64)
    fu, fv = u - column, v - row
    corner = row * shape[1] + column
    for offset, share in (
        (0, (1 - fu) * (1 - fv)),
        (1, fu * (1 - fv)),
        (shape[1], (1 - fu) * fv),
        (shape[1] + 1, fu * fv),
    ):
        image += np.bincount(corner + offset, load * share, minlength=image.size)


def envelope(
    source: SoundSource, grid: ImageGrid, time: float, sound: float
) -> tuple[Array, Array]:
    """The front's exact silhouette at one time: where wavelets of one source point pile up.

    The wavelet of tau touches the envelope at the angle arccos(1 / M) on either side of the
    projected velocity, M being the projected speed over c; none below the speed of sound.

    Returns
    -------
    tau : (P,) [s], emission times; cells : (P, 2, 2), the two points (left, right) of each.
    """
    scale = grid.scale
    centre = grid.place(source.place[:, 0])
    sent = source.time[:, 0]
    velocity = np.gradient(centre, sent, axis=0)
    mach = np.linalg.norm(velocity, axis=-1) / (scale * sound)
    fast = (mach > 1.0) & (sent < time)
    ahead = velocity[fast] / np.linalg.norm(velocity[fast], axis=-1, keepdims=True)
    side = np.stack([-ahead[:, 1], ahead[:, 0]], axis=-1)
    cosine = 1.0 / mach[fast, None]
    sine = np.sqrt(1.0 - cosine**2)
    reach = scale * sound * (time - sent[fast])[:, None]
    points = [centre[fast] + reach * (cosine * ahead + sign * sine * side) for sign in (1.0, -1.0)]
    return sent[fast], np.stack(points, axis=1)


@dataclass(frozen=True)
class Hearing:
    """A microphone with its amplifier and recorder."""

    rate: float = 200e3
    """Samples a second [Hz]."""
    sensitivity: float = 1e-3
    """[V/Pa]"""
    low: float = 15.0
    """Lower band edge, -3 dB [Hz]: pressure at rest is not heard."""
    high: float = 70e3
    """Upper band edge, -3 dB [Hz]; its delay is about 1 / (2 pi high) an order, 7 us in all."""
    noise: float = 1.0
    """Standard deviation of a sample [Pa]."""
    clip: float = 1.0
    """Largest voltage either way [V]; more is cut off."""


def sound_pressure(source: SoundSource, place: ArrayLike, times: Array, sound: float) -> Array:
    """Mean pressure [Pa] over each sample at `place` (3,), before any band limit.

    Parameters
    ----------
    times : (K,) [s], middles of the samples, evenly spaced.

    Every pair of neighbouring wavelets spreads its share evenly between its two arrivals, so the
    integral over time is exact, however few the emission times.
    """
    arrive, distance = arrival(source, place, sound)
    step = np.diff(source.time, axis=0)
    share = source.strength / distance
    share = 0.5 * (share[1:] + share[:-1]) * step
    first = np.minimum(arrive[1:], arrive[:-1])
    last = np.maximum(arrive[1:], arrive[:-1])
    period = (times[-1] - times[0]) / (times.size - 1)
    start = times[0] - 0.5 * period
    # The impulse received up to each sample's edge is a sum of ramps, each a difference of two
    # piecewise parabolas' slopes: put every ramp's two corners into the samples and sum twice.
    width = np.maximum(last - first, 1e-3 * period)
    slope = share / width
    edges = times.size + 1
    corner = np.zeros(edges + 1)
    level = np.zeros(edges + 1)
    for moment, sign in ((first, 1.0), (first + width, -1.0)):
        place_in = (moment - start).ravel() / period
        index = np.floor(place_in)
        keep = index < edges - 1
        before = keep & (index < 0)
        index = np.where(before, 0.0, index + 1.0)[keep].astype(np.int64)
        lead = (index - place_in[keep]) * period
        gain = sign * slope.ravel()[keep]
        corner += np.bincount(index, gain, minlength=edges + 1)
        level += np.bincount(index, gain * lead, minlength=edges + 1)
    signal = np.cumsum(level) + period * (np.cumsum(np.cumsum(corner)) - np.cumsum(corner))
    return np.asarray(np.diff(signal[:edges]) / period)


def recorded(
    source: SoundSource,
    place: ArrayLike,
    hearing: Hearing,
    first: float,
    count: int,
    sound: float,
    rng: np.random.Generator | None = None,
) -> Array:
    """Voltage (count,) [V] of a microphone at `place` (3,) from lab time `first` [s] on.

    Without a generator no noise is added. Filters run forward alone, as a real one's do.
    """
    fine_rate = hearing.rate * OVERSAMPLING
    lead = int(0.02 * fine_rate)  # the low edge settles before the first sample
    fine = first + (np.arange(count * OVERSAMPLING + lead) - lead) / fine_rate
    signal = sound_pressure(source, place, fine, sound)
    signal = sosfilt(butter(2, hearing.high, fs=fine_rate, output="sos"), signal)
    signal = sosfilt(butter(1, hearing.low, "high", fs=fine_rate, output="sos"), signal)
    signal = signal[lead::OVERSAMPLING][:count]
    if rng is not None:
        signal = signal + hearing.noise * rng.standard_normal(count)
    return np.asarray(np.clip(hearing.sensitivity * signal, -hearing.clip, hearing.clip))
