"""Where did the hand's energy and momentum go: stored, lost to the air, lost in the line, unknown?

Every draw of the motion is given its own budget (`mechanics.budget`). The account is

    work of the hand = stored + lost + unexplained,

with stored the change of kinetic, gravitational and bending energy since the first sample, and
lost what drag, the tuft and damping took. The work is that of `hand_work` with its model error;
damping, which is known to a factor of two beforehand, is drawn as `balance` makes it likely.
Unexplained is what is left: the work of the model's random force, and what the losses are not known
to.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.answers import energy
from lashwave.answers.momentum import mean_over
from lashwave.mechanics import (
    Budget,
    Chain,
    Law,
    bending_forces,
    budget,
    build,
    each,
    kinetic_energy,
    known_stiffness,
    medium,
    sloped,
    uneven,
)
from lashwave.quantities import SLOPE, Answer, Array, Draws, Index, Single, Trial, from_draws

BALANCE_SD = 0.01
"""Of the hand's work: what the model's random force, and the losses' own faults in a draw, leave
unexplained. With the true damping loss three estimated accounts (seeds 0, 3, 12) close within
0.004."""
REACH, POINTS = 4.5, 721
"""Of the grid of logarithms: prior deviations to either side, and how many."""


def damping_factors(rest: Array, taken: Array, work: float, scale: Array) -> Array:
    """(n,) factors on the damping of n draws, one for each, that the balance makes likely.

    Of the damping next to nothing is known beforehand: a draw has its damping time from what is
    stated, to a factor of two either way, since fits by the path alone are biased by its jitter.
    But the hand's work, what is stored and what the air takes are each known to a hundredth or two
    of the work, so the rest is known as well as that. With c what a draw's damping takes at its own
    damping time, s a factor on it, and R the rest,

        p(s | draw) ~ lognormal(s; as the draws spread) * normal(R - s c; 0, BALANCE_SD W),

    and one factor is drawn from it for each draw, on a grid.

    rest : (n,) [J], the hand's work less stored and lost to the air; taken : (n,) [J] by damping as
    the draw has it; work : [J]; scale : (n,), the draws' damping times over the stated one.
    1 where the rest is not known, where work or damping is none, or damping does not vary.
    """
    spread = float(np.std(np.log(scale), ddof=1)) if scale.size > 1 else 0.0
    sd = BALANCE_SD * abs(work)
    if not (np.isfinite(rest).all() and sd > 0.0 and spread > 0.0 and (taken > 0.0).all()):
        return np.ones(rest.size)
    prior = np.linspace(-REACH, REACH, POINTS) * spread + np.median(np.log(scale))
    log_factor = prior - np.log(scale)[:, None]
    miss = (rest[:, None] - taken[:, None] * np.exp(log_factor)) / sd
    prior_miss = (prior - np.median(np.log(scale))) / spread
    log_p = -0.5 * (miss**2 + prior_miss**2)
    share = np.cumsum(np.exp(log_p - log_p.max(axis=1, keepdims=True)), axis=1)
    share /= share[:, -1:]
    rank = np.random.default_rng(2).permutation(rest.size)
    level = (rank + 0.5) / rest.size
    chosen = [np.interp(u, row, g) for u, row, g in zip(level, share, log_factor, strict=True)]
    return np.exp(np.array(chosen))


MOST_DRAWS, FEWEST_DRAWS = 60, 30
"""Draws that are asked: 2.5 s for 60 of a throw of 1000 times and 56 nodes."""
MOST_NODES = 4_000_000
"""Times, nodes and draws in all; fewer draws of a longer record."""
TORQUE_SPAN = 10e-3
"""The hand's torque is a mean over this time [s]: draws jitter, and a jittering tip has a lever of
the whole line. On three twin trials a true peak came out 0 to 3 % lower so averaged."""
FAST = 45.0
"""A line whose tip stays under this speed [m/s] has its damping from the mean motion."""
OPEN = 0.02
"""Share of the greatest work so far by which an account may be open: see docs/answers.md."""
TOO_MUCH = 0.05
"""An account that is open by this much more, in the median of the draws, is warned of."""
FLUX_STATIONS = 32
"""At most; the fluxes would take most of the memory."""


@dataclass(frozen=True)
class AccountDraws:
    """The account of n draws at K times; energies since the first sample, losses positive."""

    kinetic: Array
    """(n, K) [J]"""
    potential: Array
    """(n, K) [J], of gravity, change since the first sample."""
    bending: Array
    """(n, K) [J]"""
    drag: Array
    """(n, K) [J] lost so far by grip, line and markers to the air, the tuft apart."""
    tuft: Array
    """(n, K) [J] lost so far by the tuft."""
    damping: Array
    """(n, K) [J] lost so far in bending."""
    hand_work: Array
    """(n, K) [J] so far, with what is known of its fault; nan where the far end is held too."""
    unexplained: Array
    """(n, K) [J]: the hand's work less stored and lost; nan as that."""
    momentum: Array
    """(n, K, 3) [N s]"""
    angular: Array
    """(n, K, 3) [N m s], about the lab's origin."""
    torque: Array
    """(n, K, 3) [N m] of the hand about the butt, a mean over `TORQUE_SPAN`; nan where the far end
    is held too."""
    drag_by_station: Array
    """(n, S) [J/m] lost to the air over the record per length of line, the tuft apart."""
    flux_station: Array
    """(F,) [m]"""
    momentum_flux: Single
    """(n, K, F, 3) [N]"""
    energy_flux: Single
    """(n, K, F) [W]"""


def chain_of(trial: Trial, station: Array) -> Chain:
    """The chain of a trial's line cut at given nodes, its markers on it.

    station : (S,) [m] from the butt.
    """
    markers = trial.markers
    on_line = markers.station[np.isfinite(markers.station)]
    size = np.full(on_line.size, markers.diameter)
    mass = np.full(on_line.size, markers.mass)
    return build(trial.line, station, known_stiffness(trial.line).value, on_line, mass, size)


def _slope(draws: Draws) -> Array:
    """(D,), 0 where it was no question."""
    return draws.shared.get(SLOPE, np.zeros(draws.position.shape[0]))


def law_of(draws: Draws, d: int) -> Law:
    """The law of draw d; a scale that was not drawn is as stated."""
    return Law.scaled({name: float(values[d]) for name, values in draws.shared.items()})


def acceleration(time: Array, velocity: Array) -> Array:
    """Acceleration (K, ...) [m/s2]: the slope of the parabola through three neighbours.

    Of order two on any grid.
    """
    if time.size == 2:
        return np.asarray(np.gradient(velocity, time, axis=0))
    return np.asarray(np.gradient(velocity, time, axis=0, edge_order=2))


def so_far(time: Array, power: Array) -> Array:
    """Integral (K, ...) [J of W, N s of N] from the first time on, by trapezoids."""
    step = np.diff(time).reshape(-1, *([1] * (power.ndim - 1)))
    done = np.zeros_like(power)
    np.cumsum(0.5 * step * (power[1:] + power[:-1]), axis=0, out=done[1:])
    return done


def accounted(draws: Draws) -> NDArray[np.intp]:
    """Numbers of `FEWEST_DRAWS` to `MOST_DRAWS` draws, spread evenly over all.

    Their numbers (A,), no unit.
    """
    count, times, nodes = draws.position.shape[:3]
    able = int(np.clip(MOST_NODES // (times * nodes), FEWEST_DRAWS, MOST_DRAWS))
    return np.unique(np.linspace(0, count - 1, min(count, able)).astype(np.intp))


def accounts_of(trial: Trial, draws: Draws) -> AccountDraws:
    """The account of those draws that `accounted` names."""
    chosen, work = accounted(draws), energy.work_with_model_error(draws)
    return balanced(booked(trial, draws, chosen, work), draws.shared, chosen)


def booked(trial: Trial, draws: Draws, chosen: Index, work: Array) -> AccountDraws:
    """The account of draws `chosen` (n,) with damping as each draw has it.

    work : (D, K) [J], the hand's so far.
    """
    plain, air = chain_of(trial, draws.station), medium(trial.air)
    chain = sloped(trial.line, plain, float(np.median(_slope(draws))))
    inner = np.arange(chain.handle_links, draws.station.size)
    every = inner[:: max(1, -(-inner.size // FLUX_STATIONS))]
    friction = _smoothed_friction(trial, draws, chain)

    def one(d: int) -> dict[str, Array]:
        x, v = draws.position[d].astype(float), draws.velocity[d].astype(float)
        own = _as_heavy(plain, v, draws.kinetic_energy[d])
        law = law_of(draws, int(d))
        own = uneven(trial.line, own, {n: float(of[d]) for n, of in draws.shared.items()})
        b = budget(own, x, v, acceleration(draws.time, v), air, trial.gravity, law)
        if friction is not None:
            over = law.stiffness_scale * law.damping_time
            b = replace(b, damping=over * (friction @ own.damping_factor))
        return _row(draws.time, own, b, every, work[d])

    rows = each(one, chosen)
    parts: dict[str, Any] = {name: np.stack([row[name] for row in rows]) for name in rows[0]}
    return AccountDraws(flux_station=draws.station[every], **parts)


def balanced(own: AccountDraws, shared: dict[str, Array], chosen: Index) -> AccountDraws:
    """The account with damping as its end makes it likely.

    shared : (D,) each, draws of the parameters [1]; chosen : (n,), the draws that it is of.
    """
    if "damping_time" not in shared:
        return own
    taken = own.damping
    rest = own.unexplained[:, -1] + taken[:, -1]
    work = float(np.median(own.hand_work[:, -1]))
    factor = damping_factors(rest, taken[:, -1], work, shared["damping_time"][chosen])[:, None]
    left = own.unexplained + (1.0 - factor) * taken
    return replace(own, unexplained=left, damping=factor * taken)


def _smoothed_friction(trial: Trial, draws: Draws, chain: Chain) -> Array | None:
    """Power (K, N) [W] that each joint's friction takes in the mean motion of a slow line, over
    stiffness scale and damping time [1/s]; None of a fast one, where each draw has its own.

    In a draw every joint trembles as the least random acceleration lets it. Of a twin swing that
    made the loss twice the true one, of a throw a tenth more than the mean motion's, which is too
    smooth there: the true loss was a tenth above the draws'.
    """
    x, v = (np.mean(part, axis=0, dtype=float) for part in (draws.position, draws.velocity))
    if np.linalg.norm(v[:, -1], axis=-1).max() > FAST:
        return None
    law = Law()
    lost = bending_forces(chain, x, v, law)[2]
    return np.asarray(lost / (law.stiffness_scale * law.damping_time))


def _as_heavy(chain: Chain, velocity: Array, kinetic: Array) -> Chain:
    """The chain with the mass that a draw's kinetic energy (K,) [J] was found with."""
    k = int(kinetic.argmax())
    own = float(kinetic_energy(chain, velocity[k : k + 1])[0])
    if own <= 0.0 or kinetic[k] <= 0.0:
        return chain
    return replace(chain, link_mass=chain.link_mass * (kinetic[k] / own))


def _row(
    time: Array, chain: Chain, b: Budget, every: NDArray[np.intp], work: Array
) -> dict[str, Array]:
    """One draw's part of each list."""
    lost = so_far(time, b.drag)
    drag, tuft, damping = lost.sum(-1), so_far(time, b.tuft), so_far(time, b.damping)
    stored = b.kinetic + b.gravity + b.bending
    share = np.gradient(chain.station)
    share[[0, -1]] *= 0.5
    return {
        "kinetic": b.kinetic,
        "potential": b.gravity - b.gravity[0],
        "bending": b.bending,
        "drag": drag,
        "tuft": tuft,
        "damping": damping,
        "hand_work": work,
        "unexplained": work - (stored - stored[0] + drag + tuft + damping),
        "momentum": b.momentum,
        "angular": b.angular,
        "torque": mean_over(time, b.torque.T, TORQUE_SPAN).T,
        "drag_by_station": lost[-1] / share,
        "momentum_flux": b.momentum_flux[:, every].astype(np.float32),
        "energy_flux": b.energy_flux[:, every].astype(np.float32),
    }


def excess(account: AccountDraws) -> Array:
    """(n, K) [J], stored and lost energy beyond the hand's work so far and its doubt."""
    done = np.maximum.accumulate(np.abs(account.hand_work), axis=1)
    return np.asarray(-account.unexplained - OPEN * done)


def cautions(time: Array, account: AccountDraws) -> list[str]:
    """A warning where most draws hold more energy than the hand has given.

    time : (K,) [s].
    """
    beyond = excess(account)
    if not np.isfinite(beyond).any():
        return []
    middle = np.median(beyond, axis=0)
    k = int(middle.argmax())
    work = float(np.median(account.hand_work[:, k]))
    most = float(np.median(np.abs(account.hand_work).max(axis=1)))
    if middle[k] <= TOO_MUCH * most:
        return []
    return [
        f"at {1e3 * time[k]:.1f} ms the line holds and has lost {middle[k] + work:.3g} J, and the "
        f"hand has given {work:.3g} J: speeds and energies about that moment are too large"
    ]


def answers(account: AccountDraws) -> dict[str, Answer]:
    """The account at the last sample, by the names of `summary.json`."""
    held = "the far end is held too: the two hands' shares cannot be separated"
    found = {
        "drag_loss": (account.drag[:, -1], "J"),
        "tuft_loss": (account.tuft[:, -1], "J"),
        "damping_loss": (account.damping[:, -1], "J"),
        "stored_energy": (_stored(account), "J"),
        "peak_bending_energy": (account.bending.max(axis=1), "J"),
        "unexplained_work": (account.unexplained[:, -1], "J"),
        "peak_hand_torque": (np.linalg.norm(account.torque, axis=-1).max(axis=1), "N m"),
    }
    return {
        name: from_draws(values, unit)
        if np.isfinite(values).any()
        else Answer(None, unit, reason=held)
        for name, (values, unit) in found.items()
    }


def _stored(account: AccountDraws) -> Array:
    """(n,) [J], change of all stored energy over the record."""
    change = account.kinetic + account.potential + account.bending
    return np.asarray(change[:, -1] - change[:, 0])
