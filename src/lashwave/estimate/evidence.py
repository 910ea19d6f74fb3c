"""What a trial says of its law's scales, with the path and all other unknowns out of the way.

The most probable path and law *together* are biased: a path is never free of jitter, and damping or
stiffness falls until the jitter costs least. To integrate the path z out by Laplace's method adds
determinants to the least cost (Tierney and Kadane, J. Am. Stat. Assoc. 81 (1986) 82). But these
expect a random force of the full density that the fit allowed, chosen to cover what chain and grid
leave out at their worst; mostly the line is far calmer, and damping is then made to explain the
calm (on twin throws by factors of 1.7 to more than 5).

So the path's jitter is charged for what the sightings alone put into it. Linearised, the least
cost over z is y' (I - A H^-1 A') y for whitened sightings y with rows A and the normal matrix H of
all terms. Where the dynamics hold and y is noise about the true motion, its mean is the number of
sightings less tr(H^-1 A' A), the number that the path has absorbed. That number falls with damping
and stiffness while noise, of which alone it is made, does not, so that

    misfit + absorbed

has its expected minimum at the true scales: the reasoning of Mallows' Cp (Technometrics 15 (1973)
661), for the misfit with its penalty in place of the error of prediction.

Where a fit ended, as plain arrays: enough to go on from, without the search.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.anchor import Anchor
from lashwave.estimate.momentum_rows import LAW_NAMES
from lashwave.estimate.path import Path, moved
from lashwave.estimate.setup import HINGE, FitSetup
from lashwave.estimate.sighting_rows import Weights
from lashwave.quantities import Array, NotConvergedError


@dataclass(frozen=True)
class State:
    """A path with what its cost is made of."""

    path: Path
    density: Array
    """(K, N + 1) [m2/s3], of the random acceleration"""
    weights: Weights
    anchor: Anchor


def as_arrays(state: State) -> dict[str, Array]:
    """Everything in it under plain names; shapes and units are those of `State` [SI, m]."""
    path, anchor = state.path, state.anchor
    kept = {
        "time": path.time,
        "base": path.base,
        "direction": path.direction,
        "shared": path.shared,
        "chord": path.chord,
        "share": path.course.share,
        "swing": path.course.swing,
        "density": state.density,
        "marker_weight": state.weights.marker,
        "anchor_matrix": anchor.matrix,
        "anchor_offset": anchor.offset,
        "anchor_base": anchor.base,
        "anchor_direction": anchor.direction,
        "anchor_axes": anchor.axes,
    }
    if state.weights.across is not None:
        kept["marker_across"] = state.weights.across
    if state.weights.folds is not None:
        kept["marker_folds"] = state.weights.folds
    for name, weight in state.weights.camera.items():
        kept[f"camera_weight:{name}"] = weight
    return kept


def from_arrays(setup: FitSetup, kept: dict[str, Array]) -> State | None:
    """The state from what `as_arrays` gave, shapes and units [SI, m] as there.

    None where the arrays belong to another trial or another cut of the line."""
    cameras = {f"camera_weight:{c.name}": c.frame.size for c in setup.trial.cameras}
    course = ("time", "base", "direction", "shared", "chord", "share", "swing")
    names = {*course, "density", "marker_weight"}
    if not {*names, *cameras} <= kept.keys():
        return None
    links = setup.chain.links
    fits = (
        kept["direction"].shape[1:] == (links, 3)
        and kept["shared"].shape == setup.shared.mean.shape
        and kept["marker_weight"].shape == setup.trial.markers.position.shape[:2]
        and all(kept[name].size == size for name, size in cameras.items())
    )
    if not fits:
        return None
    hinge = setup.shared.index(HINGE) if kept["swing"].shape[1] else -1
    path = Path(**{name: kept[name] for name in course}, hinge=hinge)
    camera = {name.split(":", 1)[1]: kept[name] for name in cameras}
    anchor = Anchor(
        *(kept[f"anchor_{name}"] for name in ("matrix", "offset", "base", "direction", "axes"))
    )
    return State(
        path,
        kept["density"],
        Weights(
            kept["marker_weight"],
            camera,
            across=kept.get("marker_across"),
            folds=kept.get("marker_folds"),
        ),
        anchor,
    )


LAWS = len(LAW_NAMES)
RAISED = 1.1
"""Factor on the sightings' weights, up and down, by which `absorbed` is told."""
POLISH = 4
"""Most steps to the path's own minimum at the fitted scales."""
DAMPINGS = (1e-9, 1e-6, 1e-3)
"""To try, rising: what is added to the diagonal so that the equations are definite in spite of
rounding. One for all scales that are compared."""
SETTLED = 3.0
"""Decrement of the cost below which the path counts as at its minimum."""


@dataclass(frozen=True)
class Terms:
    """Of -2 log likelihood of some scales; only differences between scales have a meaning."""

    misfit: float
    """Least cost over the path, the prior of the scales left out."""
    unsettled: float
    """What a last step was predicted to take off the cost; it is taken off `misfit`."""
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


def _solvable(normal: eq.Normal, damping: float, *, overwrite: bool = False) -> eq.Factor:
    try:
        return eq.factor(normal, damping, overwrite=overwrite)
    except np.linalg.LinAlgError:
        raise NotConvergedError("the equations of the motion are not positive definite") from None


def _log_det(factor: eq.Factor) -> float:
    return 2.0 * float(np.log(factor.band[0]).sum() + np.log(np.diag(factor.corner)).sum())


def _absorbed(setup: FitSetup, state: State, path: Path, own: eq.Normal, damping: float) -> float:
    """tr(H^-1 A' A), as the slope of log det H by the logarithm of the sightings' weights."""
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
        slope.append(_log_det(_solvable(other, damping, overwrite=True)))
    return float((slope[0] - slope[1]) / (2.0 * np.log(RAISED)))


def _factored(
    setup: FitSetup, state: State, path: Path, damping: float, *, absorbed: bool = False
) -> _Factored:
    normal = eq.build(setup, path, state.density, state.weights, state.anchor)
    held = _without_laws(normal)
    factor = _solvable(held, damping)
    down = eq.solve(factor, held.gradient)
    unsettled = float(held.gradient @ down)
    size = normal.band.shape[1]
    step = np.concatenate([-down[:size], np.zeros(LAWS), -down[size:]])
    prior = (path.shared[:LAWS] - setup.shared.mean[:LAWS]) / setup.shared.sd[:LAWS]
    misfit = normal.cost - float(prior @ prior) - unsettled
    taken = _absorbed(setup, state, path, held, damping) if absorbed else np.nan
    return _Factored(normal, factor, step, Terms(misfit, unsettled, taken))


def _settled(setup: FitSetup, state: State, damping: float) -> tuple[Path, _Factored]:
    """The path at its own minimum, factored there."""
    path, best = state.path, _factored(setup, state, state.path, damping)
    for _ in range(POLISH):
        if best.terms.unsettled < SETTLED:
            break
        trial = moved(setup, path, best.normal.axes, best.step)
        nearer = _factored(setup, state, trial, damping)
        if nearer.normal.cost > best.normal.cost:
            break
        path, best = trial, nearer
    taken = _absorbed(setup, state, path, _without_laws(best.normal), damping)
    return path, replace(best, terms=replace(best.terms, absorbed=taken))


class Evidence:
    """A trial's path at its minimum, ready to be asked about other scales.

    Scales are logarithmic, in the order of `LAW_NAMES`. Raises NotConvergedError where the
    equations at a path are not positive definite, there and in `at`.
    """

    def __init__(self, setup: FitSetup, state: State, damping: float = DAMPINGS[0]) -> None:
        self.setup, self.state, self._damping = setup, state, damping
        self.path, best = _settled(setup, state, damping)
        self._axes, self.terms = best.normal.axes, best.terms
        self.scales = self.path.shared[:LAWS].copy()
        border, corner = best.normal.border, best.normal.corner
        self._size = border.shape[0]
        right = np.concatenate([border[:, :LAWS], corner[LAWS:, :LAWS]])
        self._follow = np.stack([eq.solve(best.factor, column) for column in right.T], axis=1)
        information = corner[:LAWS, :LAWS] - right.T @ self._follow
        prior = np.diag(1.0 / setup.shared.sd[:LAWS] ** 2)
        self.information = np.asarray(0.5 * (information + information.T) - prior)
        """(5, 5), of the scales with path and nuisances out, prior left out (Gauss-Newton)."""

    def at(self, shift: Array, *, absorbed: bool = False) -> Terms:
        """With scales' logarithms shifted by (5,) [1]; the path follows, then takes a step."""
        follow = -self._follow @ shift
        step = np.concatenate([follow[: self._size], shift, follow[self._size :]])
        path = moved(self.setup, self.path, self._axes, step)
        return _factored(self.setup, self.state, path, self._damping, absorbed=absorbed).terms
