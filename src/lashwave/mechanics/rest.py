"""The shape in which a line hangs at rest from its grip (and its held far end)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from lashwave.mechanics.bending import bend_energy, couple_ratio, sharpness
from lashwave.mechanics.chain import Chain
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.grip import Grip
from lashwave.mechanics.law import Law
from lashwave.quantities import Array


class _Pin(NamedTuple):
    """The far end of the free links asked to be at `span` from their start."""

    length: Array  # (M,)
    span: Array  # (3,)
    force: Array  # (3,), multiplier
    grade: float  # penalty


@compiled()
def _joints(before: Array, t: Array) -> tuple[Array, Array, Array]:
    """Of the joint before each of t (M, 3): couple ratio, its slope, energy over stiffness."""
    ratio, slope, stored = np.empty(len(t)), np.empty(len(t)), np.empty(len(t))
    for j in range(len(t)):
        q = sharpness(before if j == 0 else t[j - 1], t[j])
        ratio[j], slope[j] = couple_ratio(q)
        stored[j] = bend_energy(q)
    return ratio, slope, stored


def _energy(t: Array, bend: Array, before: Array, pull: Array, pin: _Pin | None) -> float:
    """Potential energy of directions t (M, 3); before (3,) is the clamp's direction."""
    _, _, stored = _joints(before, t)
    energy = float(bend @ stored - (t * pull).sum())
    if pin is not None:
        miss = pin.span - pin.length @ t
        energy += float(pin.force @ miss + 0.5 * pin.grade * miss @ miss)
    return energy


def _frames(t: Array) -> Array:
    """(M, 3, 2): two unit vectors across each direction."""
    axis = np.eye(3)[np.argmin(np.abs(t), axis=1)]
    a = np.cross(t, axis)
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    return np.stack([a, np.cross(t, a)], axis=-1)


def _system(
    t: Array, bend: Array, before: Array, pull: Array, pin: _Pin | None
) -> tuple[Array, Array, Array, Array]:
    """Frames, slope (2M,), lower band of the Hessian (4, 2M), and the pin's columns (2M, 3)."""
    links = t.shape[0]
    ratio, slope, _ = _joints(before, t)
    sharp, bend = 0.5 * slope * bend, ratio * bend
    after = np.append(bend[1:], 0.0)
    near, far = np.vstack([before, t[:-1]]), np.vstack([t[1:], np.zeros(3)])
    force = bend[:, None] * near + after[:, None] * far + pull
    frame = _frames(t)
    column = np.zeros((2 * links, 3))
    if pin is not None:
        miss = pin.span - pin.length @ t
        force = force + pin.length[:, None] * (pin.force + pin.grade * miss)
        column = (pin.length[:, None, None] * frame).transpose(0, 2, 1).reshape(-1, 3)
        column *= np.sqrt(pin.grade)
    grade = -np.einsum("mka,mk->ma", frame, force).ravel()
    band = np.zeros((4, 2 * links))
    band[0] = np.repeat((force * t).sum(1), 2)
    cross = -after[:-1, None, None] * np.einsum("mka,mkb->mab", frame[1:], frame[:-1])
    # a couple grows with its bend: along the change of direction only
    own = np.einsum("mka,mk->ma", frame, near) * np.sqrt(sharp)[:, None]
    ahead = np.einsum("mka,mk->ma", frame[:-1], t[1:]) * np.sqrt(sharp[1:])[:, None]
    block = own[:, :, None] * own[:, None, :]
    block[:-1] += ahead[:, :, None] * ahead[:, None, :]
    cross += own[1:, :, None] * ahead[:, None, :]
    band[0] += np.stack([block[:, 0, 0], block[:, 1, 1]], axis=1).ravel()
    band[1, ::2] += block[:, 1, 0]
    for a in range(2):
        for b in range(2):
            band[2 + a - b, b : 2 * links - 2 : 2] += cross[:, a, b]
    return frame, grade, band, column


def _newton(t: Array, bend: Array, before: Array, pull: Array, pin: _Pin | None = None) -> Array:
    """Minimise `_energy` over unit directions: Newton on spheres with Levenberg's damping."""
    from scipy.linalg import LinAlgError, solveh_banded

    links = t.shape[0]
    scale = float(np.max(np.linalg.norm(pull, axis=1)) + bend.max() + 1e-300)
    damping, value = 0.0, _energy(t, bend, before, pull, pin)
    for _ in range(400):
        frame, slope, band, column = _system(t, bend, before, pull, pin)
        if np.abs(slope).max() < 1e-13 * scale:
            break
        while damping < 1e6 * scale:
            shifted = band.copy()
            shifted[0] += damping
            try:
                both = solveh_banded(shifted, np.column_stack([slope, column]), lower=True)
            except LinAlgError:
                damping = max(4 * damping, 1e-3 * scale)
                continue
            small = np.linalg.solve(np.eye(3) + column.T @ both[:, 1:], column.T @ both[:, 0])
            move = both[:, 1:] @ small - both[:, 0]
            trial = t + np.einsum("mka,ma->mk", frame, move.reshape(links, 2))
            trial /= np.linalg.norm(trial, axis=1, keepdims=True)
            new = _energy(trial, bend, before, pull, pin)
            if new <= value + 1e-14 * abs(value):
                t, value = trial, new
                damping = 0.2 * damping if damping > 1e-8 * scale else 0.0
                break
            damping = max(4 * damping, 1e-3 * scale)
        else:
            break
    return t


def _held(t: Array, bend: Array, before: Array, pull: Array, length: Array, span: Array) -> Array:
    """As `_newton`, with sum of length * t = span (3,): an augmented Lagrangian on the end."""
    whole = float(length.sum())
    stiff = float(np.linalg.norm(pull, axis=1).max() / length.max() + bend.max() / whole + 1e-12)
    pin = _Pin(length, span, np.zeros(3), 10.0 * stiff / whole)
    for _ in range(60):
        t = _newton(t, bend, before, pull, pin)
        miss = span - length @ t
        if np.linalg.norm(miss) < 1e-11 * whole:
            break
        pin = pin._replace(
            force=pin.force + pin.grade * miss, grade=min(3 * pin.grade, 1e4 * stiff)
        )
    return t


def rest_shape(
    chain: Chain,
    grip: Grip,
    gravity: ArrayLike,
    law: Law | None = None,
    *,
    time: float | None = None,
    far: Grip | None = None,
) -> Array:
    """Static equilibrium of a chain that hangs from its grip.

    The minimum of bending plus gravitational energy that is reached from the lower of two
    starts, hanging straight and straight along the grip.

    Parameters
    ----------
    time : [s], when the grip's pose is taken; None: its first sample.

    Returns
    -------
    position : (N + 1, 3) [m]
    """
    when = grip.time[:1] if time is None else np.array([time])
    base, direction = grip.at(when)[0][0], grip.at(when)[3][0]
    g = np.asarray(gravity, dtype=float)
    first, last = chain.handle_links, chain.links - (chain.held_links if far is not None else 0)
    scale = 1.0 if law is None else law.stiffness_scale
    bend = scale * chain.bend[first:last]
    outboard = np.cumsum(chain.node_mass[::-1])[::-1][1:]
    pull = (chain.length * outboard)[first:last, None] * g
    down = g / np.linalg.norm(g) if np.linalg.norm(g) > 0 else direction
    slant = down + 1e-3 * direction + 1e-4 * np.roll(down, 1)
    starts = [np.tile(slant / np.linalg.norm(slant), (last - first, 1))]
    if bend.max() > 0:
        starts.append(np.tile(direction, (last - first, 1)) + 0.05 * down)
        starts[1] /= np.linalg.norm(starts[1], axis=1, keepdims=True)
    shapes = [_newton(t, bend, direction, pull) for t in starts]
    t = min(shapes, key=lambda shape: _energy(shape, bend, direction, pull, None))
    whole = np.tile(direction, (chain.links, 1))
    if far is not None:
        place, along = far.at(when)[0][0], far.at(when)[3][0]
        whole[last:] = along
        length = chain.length
        span = place - base - length[:first] @ whole[:first] - length[last:] @ whole[last:]
        t = _held(t, bend, direction, pull, length[first:last], span)
    whole[first:last] = t
    steps = chain.length[:, None] * whole
    return base + np.vstack([np.zeros(3), np.cumsum(steps, axis=0)])
