"""The whitened rows of the dynamics against central differences of their own residual.

The derivative leaves out, by design, how the projector turns (Kaufman's simplification; Golub and
Pereyra 1973), so the differences hold the projector and the tensions at their middle values.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from lashwave.estimate import path
from lashwave.estimate.air_forces import air_forces
from lashwave.estimate.bend_rows import mean_directions, time_shares
from lashwave.estimate.momentum_rows import (
    dynamics_rows,
    impulse_residual,
    project_out_tensions,
    wanted_shares,
)
from lashwave.quantities import Array
from tests.estimate.long_rows import blank, long_rows, windows_of

LINKS = 8
N = 3 + 2 * LINKS
STEPS = (1.0e-3, 1.2e-3)
AIR = np.array([1.2, 1.8e-5, 343.0])
LAW = np.array([1.0, 1.0, 1.0, 1.0, 3e-3])
GRAVITY = np.array([0.0, 0.0, -9.81])
WEIGHT = np.concatenate([np.zeros(2), np.ones(LINKS - 1)])
LENGTH = np.full(LINKS, 0.05)


def invented() -> tuple[
    Array, Array, tuple[Array, Array, Array, Array, float, Array, Array, Array]
]:
    """Base points (3, 3), directions (3, LINKS, 3) and a chain, all at random."""
    rng = np.random.default_rng(0)
    mass = np.abs(rng.normal(size=(LINKS, 3))) * [1e-2, 3e-3, 1e-2]
    chain = (
        mass,
        np.full(LINKS, 1e-3),
        np.full(LINKS, 3e-3),
        np.full(LINKS + 1, 1e-5),
        2e-5,
        np.stack([np.linspace(-1.0, 1.0, LINKS), np.cos(np.arange(LINKS))]),
        np.linspace(0.6, 1.7, LINKS),
        np.sin(np.arange(LINKS))[None],
    )
    base = np.cumsum(rng.normal(size=(3, 3)) * 1e-3, axis=0)
    first = np.cumsum(rng.normal(size=(LINKS, 3)) * 0.4, axis=0) + np.array([3.0, 0.0, 0.0])
    t = np.array([first + k * rng.normal(size=(LINKS, 3)) * 0.05 for k in range(3)])
    return base, t / np.linalg.norm(t, axis=-1, keepdims=True), chain


def axes(t: Array) -> Array:
    """Two axes normal to each direction, (3, LINKS, 3, 2)."""
    a = np.where(np.abs(t[..., :1]) < 0.7, [1.0, 0.0, 0.0], [0.0, 1.0, 0.0])
    e = np.cross(t, a)
    e /= np.linalg.norm(e, axis=-1, keepdims=True)
    return np.stack([e, np.cross(t, e)], -1)


def chords(t: Array) -> Array:
    """Of links whose first is a rigid handle: they shorten as the line bends."""
    return np.asarray(path.chord_lengths(t, LENGTH, 1, 0))


def places(base: Array, t: Array) -> Array:
    return np.asarray(path.places(base, t, chords(t)))


def tension_columns(t: Array) -> Array:
    """Whitened columns of the tensions of links 1 to the last."""
    columns = np.zeros((3 * LINKS + 3, LINKS - 1))
    for a, j in enumerate(range(1, LINKS)):
        columns[3 * j : 3 * j + 3, a] = WEIGHT[j] * t[j]
        columns[3 * j + 3 : 3 * j + 6, a] = -WEIGHT[j + 1] * t[j]
    return columns


def rows(base: Array, t: Array, chain: tuple) -> tuple[Array, Array, Array]:
    row = blank(LINKS, 8)
    x, E = places(base, t), axes(t)
    D = path.link_reach(t, E, chords(t), LENGTH, 1, 0)
    share = shares_of(base, t, chain)
    tension, _ = dynamics_rows(
        row, x, t, E, windows_of(D), chords(t), *STEPS, chain, AIR, LAW, GRAVITY, WEIGHT, share,
        np.zeros((3, 0, 3)), 1, LINKS,
    )  # fmt: skip
    return *long_rows(row, D), tension


def shares_of(base: Array, t: Array, chain: tuple) -> Array:
    """(LINKS,) of either side time."""
    x = places(base, t)
    return wanted_shares(x, t, chords(t), *STEPS, chain, AIR, LAW, GRAVITY, WEIGHT, 1, LINKS)


def raw(base: Array, t: Array, law: Array, lam: Array, chain: tuple, shares: Array) -> Array:
    """Whitened residual with given tension impulses and shares of time, nothing projected."""
    x, mean = places(base, t), mean_directions(t, shares)
    r = impulse_residual(x, t, mean, chords(t), *STEPS, chain, AIR, law, GRAVITY)[0]
    return (WEIGHT[:, None] * r).ravel() - tension_columns(mean) @ lam[1:]


@pytest.fixture(scope="module")
def both() -> tuple[Array, Array]:
    """Rows as computed and as differenced."""
    base, t, chain = invented()
    G, _, tension = rows(base, t, chain)
    lam = tension * 0.5 * sum(STEPS)
    shares = time_shares(shares_of(base, t, chain), *STEPS)
    assert 0.01 < shares[0].min() < 0.1 < shares[0].max()  # averaged, some more than others
    E, J, eps = axes(t), np.zeros_like(G), 1e-6
    for column in range(3 * N + 8):
        sides = []
        for sign in (1.0, -1.0):
            b2, t2, law2, chain2 = base.copy(), t.copy(), LAW.copy(), chain
            s, q = divmod(column, N)
            if column == 3 * N + 7:
                rougher = chain[6] * np.exp(sign * eps * chain[7][0])
                chain2 = (*chain[:6], rougher, chain[7])
            elif column >= 3 * N + 5:
                stiffer = chain[1] * np.exp(sign * eps * chain[5][q - 5])
                chain2 = (chain[0], stiffer, *chain[2:])
            elif column >= 3 * N:
                law2[q] *= np.exp(sign * eps)
            elif q < 3:
                b2[s, q] += sign * eps
            else:
                j, e = divmod(q - 3, 2)
                t2[s, j] += sign * eps * E[s, j, :, e]
                t2[s, j] /= np.linalg.norm(t2[s, j])
            sides.append(raw(b2, t2, law2, lam, chain2, shares))
        J[:, column] = (sides[0] - sides[1]) / (2 * eps)
    return G, J


def test_residual_is_the_projected_one() -> None:
    base, t, chain = invented()
    _, r, tension = rows(base, t, chain)
    shares = time_shares(shares_of(base, t, chain), *STEPS)
    direct = raw(base, t, LAW, tension * 0.5 * sum(STEPS), chain, shares)
    # Rounding of impulses of order 0.1.
    np.testing.assert_allclose(r, direct, atol=1e-13)


def test_projection_leaves_what_least_squares_leaves() -> None:
    """Against numpy's own least squares (LAPACK), for any right-hand side."""
    _, t, _ = invented()
    A, b = tension_columns(t[1]), np.random.default_rng(3).normal(size=3 * LINKS + 3)
    expected = b - A @ np.linalg.lstsq(A, b, rcond=None)[0]
    got = b.copy()
    project_out_tensions(got, t[1], WEIGHT, 1, LINKS)
    np.testing.assert_allclose(got, expected, atol=1e-12)


def test_derivative_by_motion(both: tuple[Array, Array]) -> None:
    """Unknowns of all three times: differences to 1e-6 of the largest entry.

    A wrong bend, drag or tension term leaves far more.
    """
    G, J = both
    assert np.abs((G - J)[:, : 3 * N]).max() < 1e-6 * np.abs(J[:, : 3 * N]).max()


def test_derivative_by_the_law(both: tuple[Array, Array]) -> None:
    """Logarithmic scales and shapes of stiffness enter as plain factors, so only rounding of the
    differences is left: about 1e-16 of the residual's terms over a step of 1e-6."""
    G, J = both
    largest = np.abs(J[:, 3 * N :]).max(axis=0)
    assert (largest > 0).all()
    np.testing.assert_allclose(G[:, 3 * N :], J[:, 3 * N :], atol=2e-11)


def differences(force: Callable[[Array], Array], v: Array, step: float) -> Array:
    sides = [(force(v + d) - force(v - d)) / (2 * step) for d in step * np.eye(3)]
    return np.stack(sides, axis=1)


@pytest.mark.parametrize("size", [0.02, 3.0, 200.0, 335.0, 900.0])
def test_drag_by_velocity(size: float) -> None:
    """By central differences, coefficients' change with Reynolds and Mach number included.

    Differences of 1e-6 of the speed leave some 1e-10 of rounding over 1e-6 of step.
    """
    v, t = size * np.array([5.0, 2.0, -3.0]) / np.sqrt(38.0), np.array([[0.0, 0.6, 0.8]])
    link = (t, np.array([0.05]), np.array([3e-3]), np.array([1.3]))

    def drag(u: Array, body: float = 0.0) -> tuple[Array, Array, Array]:
        force, *by = air_forces(np.stack([u, u]), *link, np.array([body, 0.0]), 0.0, AIR, LAW)
        return force.sum(axis=1), by[0][0], by[1][0]

    for force, got in (
        (lambda u: drag(u, 1e-3)[0][3], drag(v, 1e-3)[2]),
        (lambda u: drag(u)[0][:2].sum(axis=0), drag(v)[1]),
    ):
        step = 1e-5 * size
        expected = differences(force, v, step)
        assert np.abs(got - expected).max() < 1e-7 * np.abs(expected).max()
