"""The shape in which a line hangs at rest from its grip (and its held far end)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.mechanics.chain import Chain
from lashwave.mechanics.grip import Grip
from lashwave.mechanics.law import Law

Array = NDArray[np.float64]


def _energy(t: Array, bend: Array, before: Array, pull: Array) -> float:
    """Potential energy of directions t (M, 3); before (3,) is the clamp's direction."""
    step = t - np.vstack([before, t[:-1]])
    return float(0.5 * bend @ (step * step).sum(1) - (t * pull).sum())


def _frames(t: Array) -> Array:
    """(M, 3, 2): two unit vectors across each direction."""
    axis = np.eye(3)[np.argmin(np.abs(t), axis=1)]
    a = np.cross(t, axis)
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    return np.stack([a, np.cross(t, a)], axis=-1)


def _newton(t: Array, bend: Array, before: Array, pull: Array) -> Array:
    """Minimise `_energy` over unit directions: Newton on spheres with Levenberg's damping."""
    from scipy.linalg import LinAlgError, solveh_banded

    links = t.shape[0]
    after = np.append(bend[1:], 0.0)
    scale = float(np.max(np.linalg.norm(pull, axis=1)) + bend.max() + 1e-300)
    damping, value = 0.0, _energy(t, bend, before, pull)
    for _ in range(400):
        near = np.vstack([before, t[:-1]])
        far = np.vstack([t[1:], np.zeros(3)])
        force = bend[:, None] * near + after[:, None] * far + pull
        frame = _frames(t)
        slope = -np.einsum("mka,mk->ma", frame, force).ravel()
        if np.abs(slope).max() < 1e-13 * scale:
            break
        band = np.zeros((4, 2 * links))
        band[0] = np.repeat((force * t).sum(1), 2)
        cross = -after[:-1, None, None] * np.einsum("mka,mkb->mab", frame[1:], frame[:-1])
        for a in range(2):
            for b in range(2):
                band[2 + a - b, b : 2 * links - 2 : 2] = cross[:, a, b]
        while damping < 1e6 * scale:
            shifted = band.copy()
            shifted[0] += damping
            try:
                move = -solveh_banded(shifted, slope, lower=True)
            except LinAlgError:
                damping = max(4 * damping, 1e-3 * scale)
                continue
            turn = np.einsum("mka,ma->mk", frame, move.reshape(links, 2))
            trial = t + turn
            trial /= np.linalg.norm(trial, axis=1, keepdims=True)
            new = _energy(trial, bend, before, pull)
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
    force = np.zeros(3)
    rigid = float(np.linalg.norm(pull, axis=1).max() + bend.max() + 1e-12) / float(length.max())
    grade = 10.0 * rigid / float(length.sum())
    for _ in range(200):
        miss = span - length @ t
        if np.linalg.norm(miss) < 1e-11 * length.sum():
            break
        for _ in range(4):
            miss = span - length @ t
            total = pull + length[:, None] * (force + grade * miss)
            fresh = _newton(t, bend, before, total)
            t = 0.5 * (t + fresh)
            t /= np.linalg.norm(t, axis=1, keepdims=True)
        force = force + grade * (span - length @ t)
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
    t = min(shapes, key=lambda shape: _energy(shape, bend, direction, pull))
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
