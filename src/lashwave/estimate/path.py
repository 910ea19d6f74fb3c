"""A motion in the solver's own unknowns, and how it is moved, cut and put on another grid."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lashwave.estimate.assembly import Course
from lashwave.estimate.geometry import chord_lengths, link_reach, places, tangent_axes
from lashwave.estimate.setup import FitSetup
from lashwave.quantities import Array


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

    @property
    def axes(self) -> Array:
        """(K, N, 3, 2), tangent axes of the directions."""
        return np.asarray(tangent_axes(self.direction))

    def reach(self, setup: FitSetup) -> Array:
        """(K, N, 4, 3, 2), how the ends of links move as links turn."""
        c = setup.chain
        flags = (c.handle_links, c.held_links)
        return np.asarray(link_reach(self.direction, self.axes, self.chord, c.length, *flags))

    @property
    def node(self) -> Array:
        """(K, N + 1, 3) [m]"""
        return np.asarray(places(self.base, self.direction, self.chord))

    @property
    def course(self) -> Course:
        """As the compiled kernels take it."""
        return Course(self.node, self.direction, self.chord, self.time)

    def part(self, start: int, stop: int) -> Path:
        """Times start ... stop - 1."""
        cut = slice(start, stop)
        return replace(
            self,
            time=self.time[cut],
            base=self.base[cut],
            direction=self.direction[cut],
            chord=self.chord[cut],
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
    """The path whose links point as the node places (K, N + 1, 3) do."""
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
    """The path after a step (K n + Q) of the solver."""
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
    body = step[: count * (3 + 2 * links)].reshape(count, 3 + 2 * links)
    angle = body[:, 3:].reshape(count, links, 2)
    share = np.einsum("kjrae,kje->kjra", reach[:, :, :3], angle)
    chord = share[:, :, 1].copy()
    chord[:, :-1] += share[:, 1:, 0]
    chord[:, 1:] += share[:, :-1, 2]
    node = path.node + body[:, None, :3]
    node[:, 1:] += np.cumsum(chord, axis=1)
    return np.asarray(node)


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
    """The path at other times: a cubic spline of the node places, directions from these."""
    from scipy.interpolate import CubicSpline

    node = CubicSpline(path.time, path.node, axis=0)(time)
    return from_nodes(setup, time, node, path.shared)
