"""A motion in the solver's own unknowns, and how it is moved, cut and put on another grid.

A chain's places from its unknowns, and how they move with them.

Links are arcs of circles by the joints at either end, so a chord depends on its neighbours too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lashwave.estimate.assembly import shares_wanted
from lashwave.estimate.course import Course
from lashwave.estimate.setup import HINGE, FitSetup
from lashwave.mechanics import bend_energy, compiled, couple_ratio, sharpness
from lashwave.quantities import Array

MOST_BENT = 1.2
"""Half of the turn along one link, at most [rad]; beyond it a chord stays."""


@compiled()
def places(base: Array, t: Array, c: Array) -> Array:
    """Node places (K, N + 1, 3) [m] from bases (K, 3), directions (K, N, 3), chords (K, N)."""
    count, links = c.shape
    x = np.empty((count, links + 1, 3))
    for k in range(count):
        x[k, 0] = base[k]
        for j in range(links):
            for a in range(3):
                x[k, j + 1, a] = x[k, j, a] + c[k, j] * t[k, j, a]
    return x


@compiled()
def tangent_axes(t: Array) -> Array:
    """Two axes normal to each direction: (K, N, 3, 2) [1], a smooth choice almost everywhere."""
    count, links, _ = t.shape
    E = np.empty((count, links, 3, 2))
    for k in range(count):
        for j in range(links):
            x, y, z = t[k, j]
            s = 1.0 if z >= 0 else -1.0
            a = -1.0 / (s + z)
            b = x * y * a
            E[k, j, 0, 0], E[k, j, 1, 0], E[k, j, 2, 0] = 1.0 + s * x * x * a, s * b, -s * x
            E[k, j, 0, 1], E[k, j, 1, 1], E[k, j, 2, 1] = b, s + y * y * a, -y
    return E


@compiled()
def _joint(t: Array, i: int, length: Array, handle: int, held: int) -> tuple[float, float, float]:
    """Squared angle between links i - 1 and i of directions (N, 3), a quarter of its derivative by
    `sharpness`, the joint's span [m]. Of a joint folded flat as `bending` has them, smooth."""
    q = sharpness(t[i - 1], t[i])
    span = 0.5 * (length[i] + length[i - 1])
    if handle == 1 and i == 1:
        span = 0.5 * length[1]
    elif held == 1 and i == length.size - 1:
        span = 0.5 * length[i - 1]
    return 2.0 * bend_energy(q), couple_ratio(q)[0], span


@compiled()
def _squared_curvature(t: Array, j: int, length: Array, handle: int, held: int) -> float:
    """Mean square curvature of link j [1/m2], by the joints at either end.

    A free last link takes the mean square of a moment that falls to zero.
    """
    total = 0.0
    for i in range(max(j, 1), min(j + 2, length.size)):
        square, _, span = _joint(t, i, length, handle, held)
        total += square / span**2
    return total / (2.0 if 0 < j < length.size - 1 else 3.0)


@compiled()
def chord_lengths(t: Array, length: Array, handle: int, held: int) -> Array:
    """Chords (K, N) [m] of links bent to arcs: l sin(x) / x, x = kappa l / 2 < MOST_BENT.

    Rigid ends keep their length.
    """
    count, links, _ = t.shape
    c = np.empty((count, links))
    for k in range(count):
        for j in range(links):
            bent = 0.5 * length[j] * np.sqrt(_squared_curvature(t[k], j, length, handle, held))
            bent = min(bent, MOST_BENT)
            rigid = (handle == 1 and j == 0) or (held == 1 and j == links - 1)
            c[k, j] = length[j]
            if not rigid and bent > 1e-6:
                c[k, j] *= np.sin(bent) / bent
    return c


@compiled()
def link_reach(t: Array, E: Array, c: Array, length: Array, handle: int, held: int) -> Array:
    """How places move as links turn: (K, N, 4, 3, 2) [m/rad], c_l t_l by the angles of direction j.

    Third axis: l = j - 1, j, j + 1 (a link's chord depends on its neighbours' directions), and the
    sum of all three.
    """
    count, links, _ = t.shape
    D = np.zeros((count, links, 4, 3, 2))
    for k in range(count):
        for j in range(links):
            for a in range(3):
                for e in range(2):
                    D[k, j, 1, a, e] = c[k, j] * E[k, j, a, e]
        for m in range(links):
            x = 0.5 * length[m] * np.sqrt(_squared_curvature(t[k], m, length, handle, held))
            rigid = (handle == 1 and m == 0) or (held == 1 and m == links - 1)
            if rigid or x >= MOST_BENT:
                continue
            # derivative of the chord by the squared curvature
            f = length[m] ** 3 / 8.0 * ((x * np.cos(x) - np.sin(x)) / x**3 if x > 1e-3 else -1 / 3)
            f /= 2.0 if 0 < m < links - 1 else 3.0
            for i in range(max(m, 1), min(m + 2, links)):
                _, opening, span = _joint(t[k], i, length, handle, held)
                for side in range(2):
                    j, other = i - side, i - 1 + side
                    for e in range(2):
                        turn = 0.0
                        for a in range(3):
                            turn -= 2.0 * opening * t[k, other, a] * E[k, j, a, e]
                        for a in range(3):
                            D[k, j, m - j + 1, a, e] += f / span**2 * turn * t[k, m, a]
        for j in range(links):
            D[k, j, 3] = D[k, j, 0] + D[k, j, 1] + D[k, j, 2]
    return D


@dataclass(frozen=True)
class Path:
    """Base point and link directions over a time grid, with the shared parameters."""

    time: Array
    """(K,) [s]"""
    base: Array
    """(K, 3) [m]"""
    direction: Array
    """(K, N, 3), unit"""
    shared: Array
    """(Q,)"""
    chord: Array
    """(K, N) [m], of the bent arcs."""
    share: Array | None = None
    """(K, N), of the times before and after in pull and bending, held while the path moves: a cost
    whose scheme moved with the path would have no gradient. None before `with_shares`."""
    swing: Array | None = None
    """(K, N + 1, 3) [m/m], see `swing_of`; held in the same way. None before `with_shares`."""
    hinge: int = -1
    """Which of the shared parameters says how far nodes move so, -1 where none does."""

    def __post_init__(self) -> None:
        # in C order, so that no kernel is compiled a second time for another order
        for name in ("time", "base", "direction", "shared", "chord"):
            object.__setattr__(self, name, np.ascontiguousarray(getattr(self, name)))

    @property
    def axes(self) -> Array:
        """(K, N, 3, 2), tangent axes of the directions, unit vectors."""
        return np.asarray(tangent_axes(self.direction))

    def reach(self, setup: FitSetup) -> Array:
        """(K, N, 4, 3, 2) [m/rad], how the ends of links move as links turn."""
        c = setup.chain
        flags = (c.handle_links, c.held_links)
        return np.asarray(link_reach(self.direction, self.axes, self.chord, c.length, *flags))

    @property
    def bare(self) -> Array:
        """(K, N + 1, 3) [m], places of the nodes of a line that bends where its grip ends."""
        return np.asarray(places(self.base, self.direction, self.chord))

    @property
    def node(self) -> Array:
        """(K, N + 1, 3) [m], places of the nodes."""
        if self.hinge < 0 or self.swing is None:
            return self.bare
        return np.asarray(self.bare + self.shared[self.hinge] * self.swing)

    @property
    def course(self) -> Course:
        """As the compiled kernels take it; raises ValueError where it has no shares yet."""
        if self.share is None:
            raise ValueError("the path needs `with_shares` first")
        swing = self.swing if self.hinge >= 0 else None
        if swing is None:
            swing = np.zeros((self.time.size, 0, 3))
        return Course(self.node, self.direction, self.chord, self.time, self.share, swing)

    def part(self, start: int, stop: int) -> Path:
        """Times start ... stop - 1."""
        cut = slice(start, stop)
        return replace(
            self,
            time=self.time[cut],
            base=self.base[cut],
            direction=self.direction[cut],
            chord=self.chord[cut],
            share=None if self.share is None else np.ascontiguousarray(self.share[cut]),
            swing=None if self.swing is None else np.ascontiguousarray(self.swing[cut]),
        )


def chords(setup: FitSetup, direction: Array) -> Array:
    """(K, N) [m], chords of the bent arcs."""
    chain = setup.chain
    return np.asarray(
        chord_lengths(
            np.ascontiguousarray(direction), chain.length, chain.handle_links, chain.held_links
        )
    )


def from_nodes(setup: FitSetup, time: Array, node: Array, shared: Array) -> Path:
    """The path at times (K,) [s] whose links point as the node places (K, N + 1, 3) [m] do."""
    step = np.diff(node, axis=1)
    direction = step / np.maximum(np.linalg.norm(step, axis=-1, keepdims=True), 1e-12)
    return Path(time, node[:, 0].copy(), direction, shared, chords(setup, direction))


def turned(direction: Array, axes: Array, angle: Array) -> Array:
    """Directions rotated by tangent coordinates `angle` (..., 2) [rad]."""
    bend = (axes * angle[..., None, :]).sum(-1)
    size = np.linalg.norm(bend, axis=-1, keepdims=True)
    new = direction * np.cos(size) + bend * np.sinc(size / np.pi)
    return np.asarray(new / np.linalg.norm(new, axis=-1, keepdims=True))


def moved(setup: FitSetup, path: Path, axes: Array, step: Array) -> Path:
    """The path after a step (K n + Q,) [rad, shared in their own units] of the solver."""
    count, links = path.chord.shape
    body = step[: count * (3 + 2 * links)].reshape(count, 3 + 2 * links)
    direction = turned(path.direction, axes, body[:, 3:].reshape(count, links, 2))
    return replace(
        path,
        base=path.base + body[:, :3],
        direction=direction,
        shared=path.shared + step[count * (3 + 2 * links) :],
        chord=chords(setup, direction),
    )


def displaced(path: Path, reach: Array, step: Array) -> Array:
    """Node places (K, N + 1, 3) [m] after a step (K n + Q), to first order.

    reach : of the path, (K, N, 4, 3, 2).
    """
    count, links = path.chord.shape
    size = count * (3 + 2 * links)
    body = step[:size].reshape(count, 3 + 2 * links)
    angle = body[:, 3:].reshape(count, links, 2)
    share = np.einsum("kjrae,kje->kjra", reach[:, :, :3], angle)
    chord = share[:, :, 1].copy()
    chord[:, :-1] += share[:, 1:, 0]
    chord[:, 1:] += share[:, :-1, 2]
    node = path.node + body[:, None, :3]
    node[:, 1:] += np.cumsum(chord, axis=1)
    if path.hinge >= 0 and path.swing is not None:
        node += step[size + path.hinge] * path.swing
    return np.asarray(node)


def joint_angles(path: Path) -> Array:
    """(K, N + 1) [rad], angle between the links at each node; 0 at both ends."""
    step = np.linalg.norm(np.diff(path.direction, axis=1), axis=-1)
    return np.pad(2.0 * np.arcsin(np.clip(0.5 * step, 0.0, 1.0)), ((0, 0), (1, 1)))


BENDS = 0.02
"""Past a grip's end a line has bent after this [m]: sqrt(EI / T) is half of it or less."""


def swing_of(setup: FitSetup, path: Path) -> Array:
    """(K, N + 1, 3) [m/m], how nodes move where the line leaves its grip a metre further out.

    It runs on as the grip points, and less far as it points itself beyond the bend. 0 where a line
    has no grip.
    """
    station, first = setup.chain.station, setup.first_link
    if HINGE not in setup.shared.names:
        return np.zeros((path.time.size, station.size, 3))
    apart = np.maximum(station - station[first], 0.0)
    beyond = min(int(np.searchsorted(apart, BENDS)), setup.chain.links - 1)
    turn = path.direction[:, 0] - path.direction[:, beyond]
    return np.asarray((1.0 - np.exp(-apart / (0.5 * BENDS)))[:, None] * turn[:, None])


def with_shares(setup: FitSetup, path: Path, spread: Array) -> Path:
    """The path with the shares of the side times (K, N) that its own pull asks for, and its swing.

    spread : density of the random acceleration (K, N + 1) [m2/s3].
    """
    chain, dynamics = setup.kernel_chain(path.shared), setup.dynamics(path.shared)
    hinge = setup.shared.index(HINGE)
    held = replace(path, share=np.zeros_like(path.chord), swing=swing_of(setup, path), hinge=hinge)
    return replace(held, share=np.asarray(shares_wanted(held.course, chain, dynamics, spread)))


def joined(head: Path, tail: Path) -> Path:
    """Two stretches one after the other, with the shared parameters of the second."""
    return Path(
        np.concatenate([head.time, tail.time]),
        np.concatenate([head.base, tail.base]),
        np.concatenate([head.direction, tail.direction]),
        tail.shared,
        np.concatenate([head.chord, tail.chord]),
    )


def on_grid(setup: FitSetup, path: Path, time: Array) -> Path:
    """The path at other times (K,) [s]: a cubic spline of node places, directions from these."""
    from scipy.interpolate import CubicSpline

    node = CubicSpline(path.time, path.bare, axis=0)(time)
    return from_nodes(setup, time, node, path.shared)
