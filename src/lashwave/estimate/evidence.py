"""What a trial says of its law's scales, with the path and all other unknowns integrated out.

The most probable path and law *together* are biased: a path is never free of jitter, and damping or
stiffness falls until the jitter costs least. With the path z integrated out by Laplace's method
(Tierney and Kadane, J. Am. Stat. Assoc. 81 (1986) 82),

    -2 log p(sightings | scales) = misfit + log det H - sum_k log det(J_k' J_k),

misfit the least cost over z, H the Gauss-Newton matrix of z there, J_k the room that the dynamics
leave each next time (`mechanics.estim_evidence`). The two determinants expect a random force of the
full density that the fit allowed. Real lines, and twin trials, are mostly calmer than that: the
density covers what chain and grid may leave out at their worst. If the true random force is nil,
what the misfit is expected to be is the number of sightings less the number `absorbed` by the path,
tr(H^-1 H_sightings), and

    misfit + absorbed

has the same expected slope as if the path were known (the argument of Mallows' Cp, Technometrics 15
(1973) 661, for the misfit in place of the error of prediction). The truth lies between the two.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate import normal as eq
from lashwave.estimate.path import Path, moved
from lashwave.estimate.setup import Setup
from lashwave.estimate.state import State
from lashwave.mechanics.estim_evidence import step_room
from lashwave.mechanics.estim_rows import LAW_NAMES

Array = NDArray[np.float64]
Told = Callable[[float], None]
LAWS = len(LAW_NAMES)
RAISED = 1.1
"""Factor on the sightings' weights, up and down, by which `absorbed` is told."""
POLISH = 4
"""Most steps to the path's own minimum at the fitted scales."""
SETTLED = 3.0
"""Newton decrement of the cost below which the path counts as at its minimum."""


@dataclass(frozen=True)
class Terms:
    """Of -2 log p(sightings | scales); only differences between scales have a meaning."""

    misfit: float
    unsettled: float
    """What a last step was still predicted to take off the cost; it is taken off `misfit`."""
    occam: float
    """log det H less the room of the path's prior."""
    absorbed: float
    """Number of sightings that the path takes up; nan where not asked for."""


@dataclass(frozen=True)
class _Factored:
    normal: eq.Normal
    factor: eq.Factor
    step: Array
    """To the minimum over path and nuisances, (K n + Q), zero for the scales."""
    terms: Terms


def _without_laws(normal: eq.Normal) -> eq.Normal:
    """The equations with the law's scales held."""
    size = normal.band.shape[1]
    return replace(
        normal,
        border=np.ascontiguousarray(normal.border[:, LAWS:]),
        corner=normal.corner[LAWS:, LAWS:].copy(),
        gradient=np.delete(normal.gradient, np.arange(size, size + LAWS)),
    )


def _log_det(factor: eq.Factor) -> float:
    return 2.0 * float(np.log(factor.band[0]).sum() + np.log(np.diag(factor.corner)).sum())


def _room(setup: Setup, path: Path, density: Array) -> float:
    return float(
        step_room(
            path.node, path.direction, path.axes, path.reach(setup), path.chord, path.time,
            setup.kernel_chain, setup.air, setup.law(path.shared), setup.gravity, density,
            setup.node_mass, setup.driven, setup.options.hand_density, setup.first_link,
            setup.last_link,
        ).sum()
    )  # fmt: skip


def _absorbed(setup: Setup, state: State, path: Path, own: eq.Normal) -> float:
    """tr(H^-1 H_sightings), as the slope of log det H by the logarithm of the weights."""
    w = state.weights
    doubled = replace(
        w, marker=2.0 * w.marker, camera={name: 2.0 * c for name, c in w.camera.items()}
    )
    double = _without_laws(eq.build(setup, path, state.density, doubled, state.anchor))
    slope = []
    for share in (RAISED - 1.0, 1.0 / RAISED - 1.0):
        other = replace(
            own,
            band=np.asfortranarray(own.band + share * (double.band - own.band)),
            border=own.border + share * (double.border - own.border),
            corner=own.corner + share * (double.corner - own.corner),
        )
        slope.append(_log_det(eq.factor(other, 1e-9, overwrite=True)))
    return float((slope[0] - slope[1]) / (2.0 * np.log(RAISED)))


def _factored(setup: Setup, state: State, path: Path, *, absorbed: bool) -> _Factored:
    normal = eq.build(setup, path, state.density, state.weights, state.anchor)
    held = _without_laws(normal)
    factor = eq.factor(held, 1e-9)
    down = eq.solve(factor, held.gradient)
    unsettled = float(held.gradient @ down)
    size = normal.band.shape[1]
    step = np.concatenate([-down[:size], np.zeros(LAWS), -down[size:]])
    prior = (path.shared[:LAWS] - setup.shared.mean[:LAWS]) / setup.shared.sd[:LAWS]
    terms = Terms(
        misfit=normal.cost - float(prior @ prior) - unsettled,
        unsettled=unsettled,
        occam=_log_det(factor) - _room(setup, path, state.density),
        absorbed=_absorbed(setup, state, path, held) if absorbed else np.nan,
    )
    return _Factored(normal, factor, step, terms)


class Evidence:
    """A trial's path at its minimum, ready to be asked about other scales.

    scales : (5,) logarithmic, in the order of `LAW_NAMES`.

    Raises LinAlgError where the equations at a path are not positive definite.
    """

    def __init__(self, setup: Setup, state: State) -> None:
        self.setup, self.state = setup, state
        best = _factored(setup, state, state.path, absorbed=False)
        path = state.path
        for _ in range(POLISH):
            if best.terms.unsettled < SETTLED:
                break
            trial = moved(setup, path, best.normal.axes, best.step)
            nearer = _factored(setup, state, trial, absorbed=False)
            if nearer.normal.cost > best.normal.cost:
                break
            path, best = trial, nearer
        self.path = path
        self.scales = path.shared[:LAWS].copy()
        self._own = _factored(setup, state, path, absorbed=True)
        size = best.normal.band.shape[1]
        border, corner = best.normal.border, best.normal.corner
        right = np.concatenate([border[:, :LAWS], corner[LAWS:, :LAWS]])
        self._follow = np.stack([eq.solve(best.factor, column) for column in right.T], axis=1)
        shares = border[:, :LAWS].T @ self._follow[:size] + corner[:LAWS, LAWS:] @ (
            self._follow[size:]
        )
        information = corner[:LAWS, :LAWS] - shares
        prior = np.diag(1.0 / setup.shared.sd[:LAWS] ** 2)
        self.information = np.asarray(0.5 * (information + information.T) - prior)
        """(5, 5), of the scales with path and nuisances out, prior removed (Gauss-Newton)."""

    @property
    def terms(self) -> Terms:
        """At the path's own scales."""
        return self._own.terms

    def at(self, shift: Array, *, absorbed: bool = False) -> Terms:
        """With scales shifted by (5,), the path following to first order and by one step."""
        size = self._own.normal.band.shape[1]
        follow = -self._follow @ shift
        step = np.concatenate([follow[:size], shift, follow[size:]])
        path = moved(self.setup, self.path, self._own.normal.axes, step)
        return _factored(self.setup, self.state, path, absorbed=absorbed).terms
