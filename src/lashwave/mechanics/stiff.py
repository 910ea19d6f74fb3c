"""Adaptive linearly implicit stepping: a Rosenbrock W-method of order 3 with 4 stages.

Coefficients ROS34PW2 of Rang and Angermann, BIT 45 (2005) 761; they keep their order with any
approximate Jacobian, so that only the stiff forces (bending, damping, tension's pull) are
linearised and the rest is explicit. L-stable for what is linearised.
"""

from __future__ import annotations

import numpy as np

from lashwave.mechanics.bending import Triple
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.implicit import Plan, factor, pin, prepare, solve
from lashwave.mechanics.rates import Room, Setup, derivative, link_tension
from lashwave.mechanics.stepping import fastest, size_of_error, straighten
from lashwave.quantities import Array

GAMMA = 4.3586652150845900e-01
_ALPHA = np.array(
    [
        [0, 0, 0, 0],
        [8.7173304301691801e-01, 0, 0, 0],
        [8.4457060015369423e-01, -1.1299064236484185e-01, 0, 0],
        [0, 0, 1, 0],
    ]
)
_MIX = np.array(
    [
        [GAMMA, 0, 0, 0],
        [-8.7173304301691801e-01, GAMMA, 0, 0],
        [-9.0338057013044082e-01, 5.4180672388095326e-02, GAMMA, 0],
        [2.4212380706095346e-01, -1.2232505839045147, 5.4526025533510214e-01, GAMMA],
    ]
)
_WEIGHT = np.array([2.4212380706095346e-01, -1.2232505839045147, 1.5452602553351020, GAMMA])
_LOWER = np.array([3.7810903145819369e-01, -9.6042292212423178e-02, 0.5, 2.1793326075422950e-01])
# the usual change of variables that saves products with the Jacobian
# (Hairer and Wanner, Solving Ordinary Differential Equations II, IV.7)
_BACK = np.linalg.inv(_MIX)
STAGE = np.ascontiguousarray(_ALPHA @ _BACK)
BLEND = np.ascontiguousarray(np.eye(4) / GAMMA - _BACK)
FINAL = _WEIGHT @ _BACK
ERROR = (_WEIGHT - _LOWER) @ _BACK
WHEN = _ALPHA.sum(1)


@compiled(error_model="numpy")
def inertia(setup: Setup, plan: Plan, rates: Array, base: Array, out: Array) -> None:
    """Fill out (M, 2) with the mass matrix times link rates (M, 2); base (3,) is changed likewise.

    base holds the base's own rate on entry and the force on it on return.

    Rates [1/s], the base's own [m/s]; on return [N m s] and [N s].
    """
    body, first = setup.body, setup.first
    free = setup.last - first
    motion = plan.work
    x, y, z = base[0], base[1], base[2]
    for i in range(free):
        e, length = plan.frame[i], body.length[first + i]
        motion[i, 2], motion[i, 3], motion[i, 4] = x, y, z
        x += length * (e[0, 0] * rates[i, 0] + e[1, 0] * rates[i, 1])
        y += length * (e[0, 1] * rates[i, 0] + e[1, 1] * rates[i, 1])
        z += length * (e[0, 2] * rates[i, 0] + e[1, 2] * rates[i, 1])
    fx, fy, fz = 0.0, 0.0, 0.0
    for i in range(free - 1, -1, -1):
        j = first + i
        e, length = plan.frame[i], body.length[j]
        aa, ab, bb = body.mass[j, 0], body.mass[j, 1], body.mass[j, 2]
        u, v, w = motion[i, 2], motion[i, 3], motion[i, 4]
        fx, fy, fz = fx + ab * u + bb * x, fy + ab * v + bb * y, fz + ab * w + bb * z
        out[i, 0] = length * (e[0, 0] * fx + e[0, 1] * fy + e[0, 2] * fz)
        out[i, 1] = length * (e[1, 0] * fx + e[1, 1] * fy + e[1, 2] * fz)
        fx, fy, fz = fx + aa * u + ab * x, fy + aa * v + ab * y, fz + aa * w + ab * z
        x, y, z = u, v, w
    base[0], base[1], base[2] = fx, fy, fz


@compiled(error_model="numpy")
def restore(plan: Plan, places: Array, scale: float, out: Array) -> None:
    """Subtract scale times the stiffness matrix times places (M, 2) from out (M, 2).

    Stiffness in N m, places are angles [rad].
    """
    free = places.shape[0]
    ox, oy, oz = 0.0, 0.0, 0.0
    for i in range(free):
        e, k = plan.frame[i], plan.bend[i]
        x = e[0, 0] * places[i, 0] + e[1, 0] * places[i, 1]
        y = e[0, 1] * places[i, 0] + e[1, 1] * places[i, 1]
        z = e[0, 2] * places[i, 0] + e[1, 2] * places[i, 1]
        after = plan.bend[i + 1]
        stay = plan.pull[i] + k * plan.relative[i] + after * plan.relative[i + 1]
        for a in range(2):
            out[i, a] -= scale * (
                stay * places[i, a] - k * (e[a, 0] * ox + e[a, 1] * oy + e[a, 2] * oz)
            )
            if i > 0:
                b = plan.frame[i - 1]
                out[i - 1, a] += scale * k * (b[a, 0] * x + b[a, 1] * y + b[a, 2] * z)
        _restore_growth(plan, i, (x - ox, y - oy, z - oz), scale, out)
        ox, oy, oz = x, y, z
    _restore_growth(plan, free, (-ox, -oy, -oz), scale, out)


@compiled(error_model="numpy")
def _restore_growth(plan: Plan, i: int, opening: Triple, scale: float, out: Array) -> None:
    """Joint i's part of `restore` by `plan.grow`, where its two links open by (3,)."""
    if plan.bend[i] == 0.0:
        return
    for k in range(3):
        g = plan.grow[i, k]
        pull = scale * (g[0] * opening[0] + g[1] * opening[1] + g[2] * opening[2])
        for a in range(2):
            if i < out.shape[0]:
                out[i, a] -= pull * plan.frame[i, a, k]
            if i > 0:
                out[i - 1, a] += pull * plan.frame[i - 1, a, k]


@compiled(error_model="numpy")
def stage(
    setup: Setup,
    plan: Plan,
    step: float,
    right: Array,
    shift: Array,
    flat: Array,
    base: Array,
) -> None:
    """Turn right (S,), a stage's right side, into the stage's increment, in place.

    flat (3, M, 2), base and shift (3,) are scratch; step is in [s].
    """
    free = setup.last - setup.first
    places, rates, total = flat[0], flat[1], flat[2]
    for i in range(free):
        e = plan.frame[i]
        for a in range(2):
            p, q = 0.0, 0.0
            for k in range(3):
                p += e[a, k] * right[3 * i + k]
                q += e[a, k] * right[3 * (free + i) + k]
            places[i, a], rates[i, a] = p, q
    for k in range(3):
        base[k] = right[6 * free + 3 + k]
    inertia(setup, plan, rates, base, total)
    for i in range(free):
        for a in range(2):
            total[i, a] *= step
    for k in range(3):
        base[k] *= step
    restore(plan, places, step * step, total)
    shift[:] = 0.0
    moved = rates.copy()
    solve(setup, plan, total, base, shift, rates)
    if setup.held:
        hold_still(setup, plan, step, moved, right, rates, base)
    for i in range(6 * free + 6, right.size):
        right[i] *= step
    for i in range(free):
        e = plan.frame[i]
        for k in range(3):
            along = right[3 * (free + i) + k]
            along -= e[0, k] * moved[i, 0] + e[1, k] * moved[i, 1]
            new = e[0, k] * rates[i, 0] + e[1, k] * rates[i, 1] + step * along
            right[3 * (free + i) + k] = new
            right[3 * i + k] = step * (right[3 * i + k] + new)
    for k in range(3):
        if setup.free:
            right[6 * free + 3 + k] = base[k]
            right[6 * free + k] = step * (right[6 * free + k] + base[k])
        else:
            right[6 * free + 3 + k] = 0.0
            right[6 * free + k] = 0.0


@compiled(error_model="numpy")
def hold_still(
    setup: Setup,
    plan: Plan,
    step: float,
    moved: Array,
    right: Array,
    rates: Array,
    base: Array,
) -> None:
    """Add the held end's reaction, so that the end moves as the right side alone would move it.

    right : (S,). moved : (M, 2) [1/s2]. rates : (M, 2) [1/s]. base : (3,) [m/s].
    """
    free = setup.last - setup.first
    miss = np.zeros(3)
    for k in range(3):
        miss[k] = base[k] - step * right[6 * free + 3 + k] if setup.free else 0.0
    for i in range(free):
        length = setup.body.length[setup.first + i]
        for k in range(3):
            for a in range(2):
                miss[k] += length * plan.frame[i, a, k] * (rates[i, a] - step * moved[i, a])
    force = plan.grip @ miss
    for i in range(free):
        for a in range(2):
            for k in range(3):
                rates[i, a] -= plan.tail[i, a, k] * force[k]


@compiled(error_model="numpy")
def attempt(
    setup: Setup,
    time: float,
    state: Array,
    step: float,
    slope: Array,
    grow: Array,
    trial: Array,
    room: Room,
    plan: Plan,
    flat: Array,
    small: Array,
) -> None:
    """One step from `state`, whose derivative is slope, into `trial`; grow (4, S): increments.

    state, trial, slope : (S,). flat : (3, M, 2), small : (2, 3), scratch. time, step [s].
    """
    right = slope.copy()
    for s in range(4):
        if s > 0:
            trial[:] = state
            for r in range(s):
                if STAGE[s, r] != 0.0:
                    for i in range(state.size):
                        trial[i] += STAGE[s, r] * grow[r, i]
            derivative(setup, time + WHEN[s] * step, trial, right, room)
            for r in range(s):
                scale = BLEND[s, r] / step
                for i in range(state.size):
                    right[i] += scale * grow[r, i]
        grow[s] = right
        stage(setup, plan, GAMMA * step, grow[s], small[0], flat, small[1])
    trial[:] = state
    for r in range(4):
        for i in range(state.size):
            trial[i] += FINAL[r] * grow[r, i]
    straighten(trial, setup.last - setup.first)


@compiled(error_model="numpy")
def between(
    setup: Setup,
    start: float,
    step: float,
    old: Array,
    new: Array,
    d0: Array,
    d1: Array,
    when: float,
    out: Array,
) -> None:
    """State at `when` within a step: cubic Hermite, each part from its own rate.

    old, new, out : (S,). d0, d1 : (S,), derivatives at the ends by time [s].
    """
    x = (when - start) / step
    y = 1.0 - x
    p, q = (1 + 2 * x) * y * y, x * x * (3 - 2 * x)
    for i in range(old.size):
        out[i] = p * old[i] + q * new[i] + step * x * y * (y * d0[i] - x * d1[i])
    straighten(out, setup.last - setup.first)


@compiled(error_model="numpy")
def integrate(
    setup: Setup,
    times: Array,
    start: Array,
    rtol: float,
    floor: float,
    reach: float,
    most: int,
    room: Room,
    plan: Plan,
) -> tuple[Array, tuple[int, int, int]]:
    """As `stepping.integrate`, with the stiff forces implicit; returns the same.

    times : (T,) [s]. start : (S,).
    """
    size, free = start.size, setup.last - setup.first
    found = np.empty((times.size, size))
    slope, after, grow = np.zeros(size), np.zeros(size), np.zeros((4, size))
    flat, small = np.zeros((3, free, 2)), np.zeros((2, 3))
    tension = np.zeros(setup.body.length.size)
    state, trial = start.copy(), start.copy()
    found[0] = start
    now, done, taken, refused = times[0], 1, 0, 0
    derivative(setup, now, state, slope, room)
    link_tension(setup, room, tension)
    prepare(setup, room, tension, plan)
    step = min(1e-4, times[-1] - now)
    before = 1.0
    while done < times.size:
        factor(setup, plan, GAMMA * step)
        if setup.held:
            pin(setup, plan)
        attempt(setup, now, state, step, slope, grow, trial, room, plan, flat, small)
        worst = size_of_error(setup, grow, 1.0, ERROR, rtol * (floor + fastest(room)), rtol * reach)
        if not worst <= 1.0:
            refused += 1
            step *= max(0.2, 0.85 * worst ** (-1 / 3)) if worst < 1e12 else 0.1
            if refused > most or step < 1e-12:
                return found, (-1, refused, 0)
            continue
        taken += 1
        end = now + step
        derivative(setup, end, trial, after, room)
        while done < times.size and times[done] <= end:
            between(setup, now, step, state, trial, slope, after, times[done], found[done])
            done += 1
        state[:] = trial
        slope[:] = after
        now = end
        link_tension(setup, room, tension)
        prepare(setup, room, tension, plan)
        worst = max(worst, 1e-6)
        step *= min(3.0, max(0.3, 0.85 * worst**-0.28 * before**0.08))
        before = worst
        if taken > most:
            return found, (-1, refused, 0)
    return found, (taken, refused, 1 + 4 * taken + 3 * refused)
