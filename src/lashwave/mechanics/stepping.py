"""Adaptive explicit stepping of a chain: Dormand and Prince's pair of orders 5 and 4.

Coefficients: Dormand and Prince, J. Comput. Appl. Math. 6 (1980) 19. After each step the
directions are brought back to unit length and their rates across them, before the last stage, so
that the pair's first-same-as-last economy holds.
"""

from __future__ import annotations

import numpy as np

from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.rates import ACCOUNTS, Room, Setup, derivative
from lashwave.quantities import Array

STAGE = np.array(
    [
        [0, 0, 0, 0, 0, 0],
        [1 / 5, 0, 0, 0, 0, 0],
        [3 / 40, 9 / 40, 0, 0, 0, 0],
        [44 / 45, -56 / 15, 32 / 9, 0, 0, 0],
        [19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729, 0, 0],
        [9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656, 0],
        [35 / 384, 0, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84],
    ]
)
WHEN = np.array([0, 1 / 5, 3 / 10, 4 / 5, 8 / 9, 1.0, 1.0])
ERROR = np.array(
    [71 / 57600, 0, -71 / 16695, 71 / 1920, -17253 / 339200, 22 / 525, -1 / 40]
)  # fmt: skip


@compiled(error_model="numpy")
def straighten(state: Array, free: int) -> None:
    """Directions back to unit length, rates back across them.

    state : (S,), its first 3 M directions, no unit, its next 3 M their rates [1/s].
    """
    for j in range(free):
        size, along = 0.0, 0.0
        for k in range(3):
            size += state[3 * j + k] ** 2
        size = 1.0 / np.sqrt(size)
        for k in range(3):
            state[3 * j + k] *= size
            along += state[3 * j + k] * state[3 * (free + j) + k]
        for k in range(3):
            state[3 * (free + j) + k] -= along * state[3 * j + k]


@compiled(error_model="numpy")
def size_of_error(
    setup: Setup, slope: Array, step: float, weights: Array, speed: float, place: float
) -> float:
    """Largest error of a node's velocity over `speed` and of its place over `place`.

    slope : (R, S). The error is `step` [s] times the sum of weights (R,) [1] times them.
    """
    free = setup.last - setup.first
    length = setup.body.length
    worst = 0.0
    for half in range(2):
        sums = np.zeros(3)
        unit = place if half == 0 else speed
        if setup.free:
            for k in range(3):
                for s in range(weights.size):
                    sums[k] += step * weights[s] * slope[s, 6 * free + 3 * half + k]
        for j in range(free):
            reach = 0.0
            for k in range(3):
                e = 0.0
                for s in range(weights.size):
                    e += weights[s] * slope[s, 3 * (half * free + j) + k]
                sums[k] += step * e * length[setup.first + j]
                reach += sums[k] ** 2
            worst = max(worst, np.sqrt(reach) / unit)
    return worst


@compiled(error_model="numpy")
def fastest(room: Room) -> float:
    """Largest node speed of the last evaluation [m/s]."""
    best = 0.0
    for j in range(room.v.shape[0]):
        best = max(best, room.v[j, 0] ** 2 + room.v[j, 1] ** 2 + room.v[j, 2] ** 2)
    return np.sqrt(best)


@compiled(error_model="numpy")
def attempt(
    setup: Setup,
    time: float,
    state: Array,
    step: float,
    slope: Array,
    trial: Array,
    room: Room,
) -> None:
    """One step from `state` into `trial`; slope[0] is known, slope[6] is left at its end.

    state, trial : (S,), as `rates` says. slope : (7, S), its derivatives by time [s].
    """
    for s in range(1, 7):
        for i in range(state.size):
            total = 0.0
            for r in range(s):
                total += STAGE[s, r] * slope[r, i]
            trial[i] = state[i] + step * total
        if s == 6:
            straighten(trial, setup.last - setup.first)
        derivative(setup, time + WHEN[s] * step, trial, slope[s], room)


@compiled(error_model="numpy")
def dense(
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
    """State at `when` within a step: quintic Hermite for motion, cubic for the accounts.

    Directions have their rates and second rates at both ends of the step.

    old, new, out : (S,). d0, d1 : (S,), derivatives at the ends by time [s].
    """
    free = setup.last - setup.first
    x = (when - start) / step
    y = 1.0 - x
    a = y * y * y * (1 + 3 * x + 6 * x * x)
    b = step * x * y * y * y * (1 + 3 * x)
    c = 0.5 * step * step * x * x * y * y * y
    d = x * x * x * (10 - 15 * x + 6 * x * x)
    e = -step * x * x * x * y * (4 - 3 * x)
    f = 0.5 * step * step * x * x * x * y * y
    da = -30 * x * x * y * y / step
    db = y * y * (1 - 3 * x) * (1 + 5 * x)
    dc = 0.5 * step * x * y * y * (2 - 5 * x)
    de = x * x * (-12 + 28 * x - 15 * x * x)
    df = 0.5 * step * x * x * y * (3 - 5 * x)
    for j in range(3 * free + 3):
        i = j if j < 3 * free else 3 * free + j
        r = i + 3 * free if j < 3 * free else i + 3
        out[i] = a * old[i] + b * d0[i] + c * d0[r] + d * new[i] + e * d1[i] + f * d1[r]
        out[r] = da * (old[i] - new[i]) + db * d0[i] + dc * d0[r] + de * d1[i] + df * d1[r]
    p, q = (1 + 2 * x) * y * y, x * x * (3 - 2 * x)
    for i in range(6 * free + 6, old.size):
        out[i] = p * old[i] + q * new[i] + step * x * y * (y * d0[i] - x * d1[i])
    straighten(out, free)


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
) -> tuple[Array, tuple[int, int, int]]:
    """States at `times` (T,), from `start` at times[0].

    rtol : error allowed in a step, of node speeds over (floor [m/s] + the largest speed), of node
    places over reach [m]. Returns (T, state) and (steps taken, refused, evaluations); steps taken
    is negative where `most` steps did not suffice or a number ceased to be finite.
    """
    size = start.size
    found = np.empty((times.size, size))
    slope = np.zeros((7, size))
    state, trial = start.copy(), start.copy()
    found[0] = start
    now, done, taken, refused = times[0], 1, 0, 0
    derivative(setup, now, state, slope[0], room)
    evaluations = 1
    step = min(1e-4, times[-1] - now)
    before = 1.0
    while done < times.size:
        attempt(setup, now, state, step, slope, trial, room)
        evaluations += 6
        worst = size_of_error(
            setup, slope, step, ERROR, rtol * (floor + fastest(room)), rtol * reach
        )
        if not worst <= 1.0:
            refused += 1
            step *= max(0.2, 0.9 * worst**-0.2) if worst < 1e12 else 0.1
            if refused > most or step < 1e-12:
                return found, (-1, refused, evaluations)
            continue
        taken += 1
        end = now + step
        while done < times.size and times[done] <= end:
            dense(setup, now, step, state, trial, slope[0], slope[6], times[done], found[done])
            done += 1
        state[:] = trial
        slope[0] = slope[6]
        now = end
        worst = max(worst, 1e-8)
        step *= min(4.0, max(0.3, 0.9 * worst**-0.17 * before**0.04))
        before = worst
        if taken > most:
            return found, (-1, refused, evaluations)
    return found, (taken, refused, evaluations)


__all__ = ["ACCOUNTS", "integrate"]
