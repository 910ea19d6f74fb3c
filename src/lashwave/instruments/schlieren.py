"""What a schlieren camera in parallel light records: backdrop, line, tuft, fronts, flashes.

The picture is the product of what takes light away (wires and dust, line, strands) and of what
turns it aside (fronts, warm air), plus the light of a strobe. The line is dark over its projected
width, spread by the optics and by its motion over the exposure. Fronts come from wavelets (see
`wavelets`); light changes with the gradient of the air's density across the knife edge (Settles,
Schlieren and Shadowgraph Techniques, 2001, eq. 3.6), light on one side and dark on the other.
Range: a weak, thin knife-edge system below saturation; the size of the contrast is set, not
computed, since the strength of a real crack is unknown.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erf

from lashwave.instruments.sensor import Light
from lashwave.instruments.wavelets import ImageGrid, SoundSource, silhouettes
from lashwave.quantities import Array, Camera

DRIFT = 160
"""Pixels that the warm air's texture is larger than the image, so that it can drift."""


REACH = 4.0
"""Standard deviations of an edge that are drawn; 3e-5 of the light lies beyond."""


def _capsule(u: Array, v: Array, ends: Array, half: Array, spread: float, cut: bool) -> Array:
    """Share of light that one straight piece takes, on columns u and rows v; flat end if cut."""
    step = ends[1] - ends[0]
    length = max(float(np.hypot(*step)), 1e-9)
    along_u, along_v = step / length
    x, y = u[None, :] - ends[0, 0], v[:, None] - ends[0, 1]
    along = x * along_u + y * along_v
    across = x * along_v - y * along_u
    inside = np.clip(along, 0.0, length)
    radius = half[0] + (half[1] - half[0]) * inside / length
    over = along - inside
    soft = np.sqrt(2.0) * spread
    if cut:
        over = np.minimum(over, 0.0)
    distance = np.hypot(across, over)
    dark = 0.5 * (erf((distance + radius) / soft) - erf((distance - radius) / soft))
    if cut:
        dark *= 0.5 * (1.0 + erf((length - along) / soft))
    return np.asarray(dark)


def shadow(
    size: tuple[int, int],
    path: Array,
    width: ArrayLike,
    spread: float,
    *,
    weights: Array | None = None,
) -> tuple[tuple[slice, slice], Light]:
    """Share of light that a dark curve takes, averaged over the exposure.

    Each straight piece is a strip blurred by a Gaussian, exact for a straight strip; pieces meet in
    round joints and the last one ends flat, at its last point.

    Parameters
    ----------
    size : width, height [px].
    path : (Q, P, 2) [px], the curve's points at Q moments of the exposure.
    width : (P,) [px], full width at each point.
    spread : standard deviation of the optics' blur and the pixel's own together [px].
    weights : (Q,) shares of the exposure; equal by default.

    Returns
    -------
    where : rows and columns of the part of the image that is touched.
    dark : the share there, 0 to 1.
    """
    half = 0.5 * np.broadcast_to(np.asarray(width, dtype=float), path.shape[1:2])
    margin = half.max(initial=0.0) + REACH * spread
    far = np.asarray(size) - 1.0 + margin
    first, second = path[:, :-1], path[:, 1:]
    near = (np.maximum(first, second) > -margin) & (np.minimum(first, second) < far)
    use = np.flatnonzero(near.all(axis=-1).any(axis=0))  # a nan is nowhere near
    nothing = (slice(0, 0), slice(0, 0)), np.zeros((0, 0), dtype=np.float32)
    if use.size == 0:
        return nothing
    points = path[:, np.unique(np.concatenate([use, use + 1]))]
    low = np.clip(np.floor(points.min(axis=(0, 1)) - margin), 0, size).astype(int)
    high = np.clip(np.ceil(points.max(axis=(0, 1)) + margin) + 1, 0, size).astype(int)
    if (high <= low).any():
        return nothing
    total = np.zeros((high[1] - low[1], high[0] - low[0]), dtype=np.float32)
    shares = np.full(path.shape[0], 1.0 / path.shape[0]) if weights is None else weights
    last = path.shape[1] - 2
    for share, moment in zip(shares, path, strict=True):
        dark = np.zeros_like(total)
        for k in use:
            ends = moment[k : k + 2]
            start = np.clip(np.floor(ends.min(axis=0) - margin), low, high).astype(int)
            stop = np.clip(np.ceil(ends.max(axis=0) + margin) + 1, low, high).astype(int)
            if (stop <= start).any():
                continue
            piece = _capsule(
                np.arange(start[0], stop[0], dtype=float),
                np.arange(start[1], stop[1], dtype=float),
                ends, half[k : k + 2], spread, cut=bool(k == last),
            )  # fmt: skip
            rows = slice(start[1] - low[1], stop[1] - low[1])
            columns = slice(start[0] - low[0], stop[0] - low[0])
            np.maximum(dark[rows, columns], piece, out=dark[rows, columns])
        total += np.float32(share) * dark
    return (slice(low[1], high[1]), slice(low[0], high[0])), total


@dataclass(frozen=True)
class Strands:
    """The tuft's loose strands, as they differ from one another; drawn once a tuft."""

    place: Array
    """(N,) -1 to 1: where across the fan a strand ends; the outermost are at -1 and 1."""
    reach: Array
    """(N,) length over the fan's."""
    curl: Array
    """(N,) sideways bow over the fan's width."""
    thickness: float
    """[m]"""


def draw_strands(rng: np.random.Generator, count: int = 14, thickness: float = 0.15e-3) -> Strands:
    """Strands that stand in a cone seen from the side: denser toward the rim than a flat fan."""
    inner = np.sin(rng.uniform(-0.5 * np.pi, 0.5 * np.pi, max(count - 2, 0)))
    place = np.concatenate([[-1.0, 1.0], 0.97 * inner])[:count]
    reach = np.concatenate([[1.0, 1.0], rng.uniform(0.7, 1.0, max(count - 2, 0))])[:count]
    return Strands(place, reach, 0.1 * rng.standard_normal(count), thickness)


def fan(
    strands: Strands, tip: Array, ahead: Array, length: float, width: float, trail: Array
) -> Array:
    """Curves of strands in the image.

    Parameters
    ----------
    tip : (2,) [px]; ahead : (2,) unit, the line's direction at its end.
    length, width : of the fan [px]; the width is between the ends of the outermost strands.
    trail : (2,) [px], by how much the air has carried the strands' ends aside.

    Returns
    -------
    (N, 7, 2) [px]
    """
    s = np.linspace(0.0, 1.0, 7)
    side = np.array([-ahead[1], ahead[0]])
    run = strands.reach[:, None] * s
    # Bows are nil at both ends of a strand, so they leave the width as it is asked for.
    bow = strands.curl[:, None] * width * np.sin(np.pi * s)
    off = 0.5 * width * strands.place[:, None] * run + bow
    curve = run[..., None] * length * ahead + off[..., None] * side + run[..., None] ** 2 * trail
    return np.asarray(tip + curve)


@dataclass(frozen=True)
class Strobe:
    """One flash of the marker system, as stray light in the fast camera: a trapezoid in time."""

    level: float = 0.15
    """Light at its height, over that of the plain backdrop."""
    duration: float = 120e-6
    """Full width at half height [s]."""
    rise: float = 20e-6
    """Of either edge [s], under the duration."""


def strobe_light(strobe: Strobe, flashes: Array, times: Array, exposure: float) -> Array:
    """(F,) mean light of flashes over exposures, over that of the plain backdrop [1].

    Exact: a trapezoid is four ramps, and its integral four parabolas.

    Parameters
    ----------
    flashes : (M,) [s] their middles; times : (F,) [s] middles of the exposures; exposure : [s].
    """
    outer = 0.5 * (strobe.duration + strobe.rise)
    inner = 0.5 * (strobe.duration - strobe.rise)
    width = max(exposure, 1e-12)

    def total(x: Array) -> Array:
        ramps = [(outer, 1.0), (inner, -1.0), (-inner, -1.0), (-outer, 1.0)]
        parts = [sign * 0.5 * np.maximum(x + edge, 0.0) ** 2 for edge, sign in ramps]
        return np.asarray(sum(parts) / strobe.rise)

    # Only the flash next to a frame can light it: flashes lie much further apart than they last.
    after = np.clip(np.searchsorted(flashes, times), 1, max(flashes.size - 1, 1))
    light = np.zeros(times.shape)
    for index in {0, -1} if flashes.size > 1 else {-1}:
        gap = times - flashes[np.clip(after + index, 0, flashes.size - 1)]
        light += (total(gap + 0.5 * width) - total(gap - 0.5 * width)) / width
    return strobe.level * light


@dataclass(frozen=True)
class Knife:
    """How fronts turn into light and dark."""

    direction: tuple[float, float] = (1.0, 0.0)
    """In the image (u, v): light grows where the air's density grows that way."""
    contrast: float = 0.012
    """Change of light for a change of 1 Pa m^1/2 in `silhouettes` over one thickness."""
    range: float = 0.6
    """Largest change of light: the light source's image is then all off, or all on, the edge."""
    thickness: float = 0.7e-3
    """Standard deviation of a front's profile [m]: the front, its optics and its exposure."""
    cell: int = 2
    """Pixels a side of the cells on which fronts are computed."""


def front_light(
    camera: Camera, source: SoundSource, time: float, sound: float, knife: Knife
) -> Light:
    """Change of light (H, W) by fronts at one time, 0 where there are none.

    camera : in parallel light. Cells must be no coarser than a front's thickness.

    Wavelets pile up on the inner side of their envelope alone, as the inverse root of the distance
    from it; spread by the thickness, the front's middle, where light turns to dark, lies 0.76
    thicknesses inside the envelope, everywhere and always: neither its speed nor its angle changes.
    """
    pad = 8  # cells beyond the image, so that no front starts at its edge
    width, height = camera.size
    cell = knife.cell
    shape = (-(-height // cell) + 2 * pad, -(-width // cell) + 2 * pad)
    # Pixel centres at whole numbers: cell k covers pixels k*cell to k*cell + cell - 1.
    shift = np.array([[1.0 / cell, 0, pad + 0.5 / cell - 0.5]] * 2)
    projection = np.array(camera.projection, dtype=float)
    projection[:2] = shift[:, :1] * projection[:2] + shift[:, 2:] * projection[2]
    grid = ImageGrid(projection, shape)
    field = silhouettes(source, grid, time, sound).astype(np.float32)
    spread = knife.thickness * grid.scale
    # Sharing among four cells has spread the field already, by 1/6 of a cell squared.
    blur = float(np.sqrt(max(spread**2 - 1.0 / 6.0, 0.25)))
    soft = cv2.GaussianBlur(field, (0, 0), blur, borderType=cv2.BORDER_REPLICATE)
    right, down = knife.direction
    turned = right * np.gradient(soft, axis=1) + down * np.gradient(soft, axis=0)
    inner = np.asarray(turned, dtype=np.float32)[pad:-pad, pad:-pad]
    large = cv2.resize(inner, None, fx=cell, fy=cell, interpolation=cv2.INTER_CUBIC)
    large = large[:height, :width] * np.float32(knife.contrast * spread / knife.range)
    return np.asarray(np.float32(knife.range) * np.tanh(large), dtype=np.float32)


@dataclass(frozen=True)
class Backdrop:
    """Light of an empty schlieren view, 1 where it is plain."""

    fixed: Light
    """(H, W): lamp, mottle of the optics, dust and wires."""
    air: Light
    """(H + 160, W + 160): texture of warm air, mean 0."""
    wind: tuple[float, float] = (0.0, 0.0)
    """Of that texture [px/s]; it turns round at its edge."""

    def at(self, time: float) -> Light:
        """Light (H, W) at a time [s]."""
        height, width = self.fixed.shape
        # A triangle wave: the texture drifts to its edge and back, so no record is too long.
        u, v = (abs((0.5 * DRIFT + w * time) % (2 * DRIFT) - DRIFT) for w in self.wind)
        shift = np.array([[1.0, 0.0, -u], [0.0, 1.0, -v]])
        moved = cv2.warpAffine(self.air, shift, (width, height), flags=cv2.INTER_LINEAR)
        return np.asarray(self.fixed * (1.0 + moved), dtype=np.float32)


def _smooth(rng: np.random.Generator, shape: tuple[int, int], spread: float) -> Light:
    """Gaussian noise of unit variance, smooth over `spread` [px]."""
    coarse = max(1, int(spread / 3.0))
    small = (shape[0] // coarse + 9, shape[1] // coarse + 9)
    noise = cv2.GaussianBlur(rng.standard_normal(small, dtype=np.float32), (0, 0), spread / coarse)
    large = cv2.resize(
        noise / noise.std(), None, fx=coarse, fy=coarse, interpolation=cv2.INTER_CUBIC
    )
    return np.asarray(large[: shape[0], : shape[1]], dtype=np.float32)


def _dust(rng: np.random.Generator, shape: tuple[int, int], count: int) -> Light:
    """Specks in focus, dark and small, and specks out of focus: faint rings."""
    height, width = shape
    left = np.ones(shape, dtype=np.float32)
    v, u = np.mgrid[-24:25, -24:25].astype(float)
    for k in range(count):
        centre = rng.uniform((24, 24), (height - 25, width - 25))
        row, column = (int(x) for x in centre)
        y, x = v - (centre[0] - row), u - (centre[1] - column)
        turn, stretch = rng.uniform(0, np.pi), rng.uniform(1.0, 2.2)
        along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        if k % 4:
            size = 0.7 + rng.exponential(0.7)
            shape_of = np.exp(-0.5 * ((along / (size * stretch)) ** 2 + (across / size) ** 2) ** 2)
            mark = rng.uniform(0.25, 0.85) * shape_of
        else:
            ring, radius = np.hypot(x, y), rng.uniform(6.0, 17.0)
            mark = 0.035 * np.exp(-((ring / radius) ** 2)) * np.cos(2.2 * ring**2 / radius)
        left[row - 24 : row + 25, column - 24 : column + 25] *= (1.0 - mark).astype(np.float32)
    return left


def _wires(rng: np.random.Generator, shape: tuple[int, int], count: int) -> Light:
    """Reference wires across the window, level and upright in turn, slightly out of focus."""
    left = np.ones(shape, dtype=np.float32)
    v, u = np.mgrid[0 : shape[0], 0 : shape[1]]
    for k in range(count):
        along, across, extent = (u, v, shape[0]) if k % 2 == 0 else (v, u, shape[1])
        place = extent * rng.uniform(0.12, 0.88) + rng.uniform(-0.01, 0.01) * along
        half, soft = rng.uniform(0.7, 1.6), rng.uniform(0.6, 1.1)
        depth = 0.5 - 0.5 * np.tanh((np.abs(across - place) - half) / soft)
        left *= (1.0 - rng.uniform(0.5, 0.8) * depth).astype(np.float32)
    return left


def draw_backdrop(
    size: tuple[int, int],
    rng: np.random.Generator,
    *,
    dust: int = 90,
    wires: int = 3,
    warm_air: float = 0.02,
    wind: tuple[float, float] = (0.0, 0.0),
) -> Backdrop:
    """An invented empty view.

    Parameters
    ----------
    size : width, height [px]; dust : specks; wires : across the window.
    warm_air : standard deviation of the light that warm air turns aside, 1 being all.
    wind : of the warm air [px/s].
    """
    shape = (size[1], size[0])
    v, u = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    tilt = rng.uniform(-0.07, 0.07, 2)
    lamp = 1.0 + tilt[0] * u + tilt[1] * v - rng.uniform(0.04, 0.14) * (u * u + v * v)
    fixed = lamp.astype(np.float32)
    fixed *= 1.0 + 0.03 * _smooth(rng, shape, 110.0) + 0.008 * _smooth(rng, shape, 6.0)
    fixed *= 1.0 + 0.006 * _smooth(rng, shape, 1.2)
    fixed *= _dust(rng, shape, dust) * _wires(rng, shape, wires)
    air = warm_air * _smooth(rng, (shape[0] + DRIFT, shape[1] + DRIFT), 35.0)
    return Backdrop(fixed, air.astype(np.float32), wind)
