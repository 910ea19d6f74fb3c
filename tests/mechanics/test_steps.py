"""One step, the sums behind it and a whole run, against SciPy's pair and the order conditions."""

from __future__ import annotations

from collections import namedtuple
from typing import Any

import numpy as np
import pytest
from scipy.integrate import RK45, solve_ivp

from lashwave.mechanics import stepping, stiff
from lashwave.mechanics.implicit import plan
from lashwave.mechanics.rates import derivative, room
from lashwave.mechanics.simulation import explicit_step
from tests.mechanics.small_chains import WHEN, moving


def some(**fields: Any) -> Any:
    """Named fields that compiled code takes too."""
    return namedtuple("Some", fields)(**fields)


def test_the_explicit_pair_is_dormand_and_princes() -> None:
    """As SciPy's RK45 has it; its error weights are of the other sign."""
    assert np.abs(stepping.STAGE[1:6, :5] - RK45.A[1:]).max() < 1e-15
    assert np.abs(stepping.STAGE[6] - RK45.B).max() < 1e-15
    assert np.abs(stepping.WHEN[:6] - RK45.C).max() < 1e-15 and stepping.WHEN[6] == 1.0
    assert np.abs(np.abs(stepping.ERROR) - np.abs(RK45.E)).max() < 1e-15
    assert abs(stepping.ERROR @ RK45.E) == pytest.approx(RK45.E @ RK45.E)


def test_the_implicit_method_meets_the_order_conditions() -> None:
    """Of a Rosenbrock method of order 3 that is of order 2 with any Jacobian, its embedded one of
    order 2 (Hairer and Wanner II, IV.7; Rang and Angermann 2005)."""
    mix = np.linalg.inv(np.eye(4) / stiff.GAMMA - stiff.BLEND)
    alpha, weight = stiff.STAGE @ mix, stiff.FINAL @ mix
    lower = weight - stiff.ERROR @ mix
    beta = alpha + mix
    a, b = alpha.sum(1), beta.sum(1)
    assert np.abs(np.triu(alpha)).max() < 1e-14 and np.abs(np.triu(mix, 1)).max() < 1e-14
    assert np.abs(np.diag(mix) - stiff.GAMMA).max() < 1e-14
    np.testing.assert_allclose(stiff.WHEN, a, atol=1e-14)
    for got, expected in (
        (weight.sum(), 1.0),
        (weight @ b, 1 / 2),
        (weight @ a**2, 1 / 3),
        (weight @ beta @ b, 1 / 6),
        (weight @ a, 1 / 2),  # with any Jacobian
        (lower.sum(), 1.0),
        (lower @ b, 1 / 2),
    ):
        assert got == pytest.approx(expected, abs=1e-13)
    np.testing.assert_allclose(beta[3], weight, atol=1e-14)  # stiffly accurate
    # gamma is a root of the stability function's denominator condition: L-stable of order 3
    g = stiff.GAMMA
    assert g**3 - 3 * g**2 + 1.5 * g - 1 / 6 == pytest.approx(0.0, abs=1e-14)


@pytest.mark.parametrize("kind", ["handle", "free"])
def test_a_step_is_the_pairs(kind: str) -> None:
    m = moving(kind, 1, links=3)
    slope, trial = np.zeros((7, m.state.size)), np.empty(m.state.size)
    slope[0] = m.slope
    stepping.attempt(m.ready, WHEN, m.state, 1e-4, slope, trial, room(m.chain.links))

    def rate(time: float, state: np.ndarray) -> np.ndarray:
        out = np.empty(state.size)
        derivative(m.ready, time, state, out, room(m.chain.links))
        return out

    stages = [m.slope]
    for row, c in zip(RK45.A[1:], RK45.C[1:], strict=True):
        state = m.state + 1e-4 * sum(x * k for x, k in zip(row, stages, strict=False))
        stages.append(rate(WHEN + c * 1e-4, state))
    end = m.state + 1e-4 * (RK45.B @ np.array(stages))
    free = m.ready.last - m.ready.first
    t, w = (end[3 * free * i :][: 3 * free].reshape(free, 3) for i in range(2))
    t = t / np.linalg.norm(t, axis=1, keepdims=True)
    end[: 3 * free] = t.ravel()
    end[3 * free : 6 * free] = (w - (w * t).sum(1, keepdims=True) * t).ravel()
    scale = np.abs(end).max()
    np.testing.assert_allclose(trial, end, atol=1e-12 * scale)
    np.testing.assert_allclose(slope[6], rate(WHEN + 1e-4, end), atol=1e-8 * np.abs(slope).max())


@pytest.mark.parametrize("free_base", [True, False])
def test_the_error_of_a_step_is_that_of_places_and_velocities(free_base: bool) -> None:
    rng = np.random.default_rng(3)
    length = rng.uniform(0.1, 0.5, 5)
    setup = some(first=1, last=4, free=free_base, body=some(length=length))
    slope, weights, step = rng.normal(size=(3, 24 + 13)), rng.normal(size=3), 0.02
    error = step * weights @ slope
    worst = 0.0
    for half, unit in ((0, 0.3), (1, 0.2)):
        at = error[18 + 3 * half :][:3] if free_base else np.zeros(3)
        for j in range(3):
            at = at + length[1 + j] * error[9 * half + 3 * j :][:3]
            worst = max(worst, float(np.linalg.norm(at)) / unit)
    found = stepping.size_of_error(setup, slope, step, weights, 0.2, 0.3)
    assert found == pytest.approx(worst, rel=1e-12)


def test_between_steps_a_quintic_and_a_cubic_are_kept() -> None:
    """No links, a free base: its place a quintic of time, what is booked a cubic."""
    setup = some(first=0, last=0)
    rng = np.random.default_rng(4)
    place, booked = rng.normal(size=(6, 3)), rng.normal(size=(4, 13))
    start, step = 2.0, 0.5

    def poly(c: np.ndarray, t: float, d: int) -> np.ndarray:
        for _ in range(d):
            c = c[1:] * np.arange(1, len(c))[:, None]
        return t ** np.arange(len(c)) @ c

    def state(t: float) -> tuple[np.ndarray, np.ndarray]:
        x = t - start
        parts = [(place, 0), (place, 1), (booked, 0)]
        return (
            np.concatenate([poly(c, x, d) for c, d in parts]),
            np.concatenate([poly(c, x, d + 1) for c, d in parts]),
        )

    (old, d0), (new, d1) = state(start), state(start + step)
    for x in (0.0, 0.1, 0.37, 0.8, 1.0):
        out = np.empty(19)
        stepping.dense(setup, start, step, old, new, d0, d1, start + x * step, out)
        np.testing.assert_allclose(out, state(start + x * step)[0], atol=1e-12)
        # the implicit steps take a cubic for all
        stiff.between(setup, start, step, old, new, d0, d1, start + x * step, out)
        np.testing.assert_allclose(out[6:], state(start + x * step)[0][6:], atol=1e-12)
        y = 1 - x
        hermite = (1 + 2 * x) * y * y * old + x * x * (3 - 2 * x) * new
        hermite = hermite + step * (x * y * y * d0 - x * x * y * d1)
        np.testing.assert_allclose(out, hermite, atol=1e-12)


def test_turning_links_are_read_between_steps_as_they_turn() -> None:
    """One link on a great circle: a step of 0.2 rad leaves a quintic's 0.2^6 / 46080."""
    setup = some(first=2, last=3)

    def state(x: float) -> tuple[np.ndarray, np.ndarray]:
        t = np.array([np.cos(x), np.sin(x), 0.0])
        w = np.array([-np.sin(x), np.cos(x), 0.0])
        rest = np.zeros(19)
        return np.concatenate([t, w, rest]), np.concatenate([w, -t, rest])

    (old, d0), (new, d1) = state(0.0), state(0.2)
    out = np.empty(25)
    for x in (0.05, 0.1, 0.16):
        stepping.dense(setup, 0.0, 0.2, old, new, d0, d1, x, out)
        np.testing.assert_allclose(out, state(x)[0], atol=2e-8)
        stiff.between(setup, 0.0, 0.2, old, new, d0, d1, x, out)
        np.testing.assert_allclose(out[:3], state(x)[0][:3], atol=1e-5)
        assert out[:3] @ out[3:6] == pytest.approx(0.0, abs=1e-15)


def test_the_fastest_node_is_told() -> None:
    rng = np.random.default_rng(5)
    v = rng.normal(size=(7, 3))
    assert stepping.fastest(some(v=v)) == pytest.approx(np.linalg.norm(v, axis=1).max())


@pytest.mark.parametrize("way", ["explicit", "implicit"])
@pytest.mark.parametrize("kind", ["handle", "free", "pinned"])
def test_a_run_is_that_of_another_integrator(way: str, kind: str) -> None:
    """SciPy's DOP853 at a thousandth of the tolerance, and the steps counted."""
    m = moving(kind, 2, links=3)
    times = WHEN + np.array([0.0, 0.4e-3, 1.3e-3, 2e-3])

    def rate(time: float, state: np.ndarray) -> np.ndarray:
        out = np.empty(state.size)
        derivative(m.ready, time, state, out, room(m.chain.links))
        return out

    span = (times[0], times[-1])
    true = solve_ivp(rate, span, m.state, "DOP853", times, rtol=1e-9, atol=1e-9).y.T
    bounds = (1e-5, 1.0, 0.1, 3000, room(m.chain.links))
    if way == "explicit":
        found, steps = stepping.integrate(m.ready, times, m.state, *bounds)
        assert steps[2] == 1 + 6 * (steps[0] + steps[1])
    else:
        size = m.ready.last - m.ready.first
        found, steps = stiff.integrate(m.ready, times, m.state, *bounds, plan(size))
        assert steps[2] == 1 + 4 * steps[0] + 3 * steps[1]
    assert 0 < steps[0] < 400
    free = m.ready.last - m.ready.first
    np.testing.assert_allclose(found[:, : 3 * free], true[:, : 3 * free], atol=2e-4)
    fast = np.abs(true[:, 3 * free : 6 * free]).max()
    np.testing.assert_allclose(found[:, : 6 * free], true[:, : 6 * free], atol=3e-3 * fast)
    for part in (slice(-13, -12), slice(-12, -11), slice(-10, -9)):
        whole = np.abs(true[:, -13:-9]).max()
        np.testing.assert_allclose(found[:, part], true[:, part], atol=2e-3 * whole)
    for few in (1, 2):
        if way == "explicit":
            _, none = stepping.integrate(m.ready, times, m.state, 1e-5, 1.0, 0.1, few, m.room)
        else:
            _, none = stiff.integrate(
                m.ready, times, m.state, 1e-5, 1.0, 0.1, few, m.room, plan(free)
            )
        assert none[0] == -1


def test_the_longest_explicit_step_is_the_zigzags() -> None:
    """Links that swing one against the other at 48 (k + c k) / (m l^2); a link alone, by hand."""
    m = moving("clamp", 4)
    body = m.ready.body
    swing = []
    for j in range(4):
        mass = body.mass[j, 0] + 2 * body.mass[j, 1] + body.mass[j, 2]
        k = max(body.bend[j], body.bend[j + 1])
        swing.append(48.0 * k / (mass * body.length[j] ** 2))
    assert (body.damping == body.damping[0]).all()
    expected = 3.3 / max(max(swing) * body.damping[0], np.sqrt(max(swing)))
    assert explicit_step(m.ready) == pytest.approx(expected)


def test_directions_are_straightened_and_rates_lie_across() -> None:
    rng = np.random.default_rng(6)
    state = rng.normal(size=4 * 6 + 19)
    given = state.copy()
    stepping.straighten(state, 4)
    for j in range(4):
        t, w = given[3 * j : 3 * j + 3], given[12 + 3 * j : 15 + 3 * j]
        t = t / np.linalg.norm(t)
        np.testing.assert_allclose(state[3 * j : 3 * j + 3], t)
        np.testing.assert_allclose(state[12 + 3 * j : 15 + 3 * j], w - (w @ t) * t, atol=1e-15)
    np.testing.assert_array_equal(state[24:], given[24:])
