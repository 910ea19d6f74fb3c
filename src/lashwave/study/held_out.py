"""Models compared by a whole refit without some of the sightings, scored on those.

Every marker on the line loses stretches of some hundredths of a second, at times of its own; the
fit never sees them. Each model then reconstructs the trial anew, and each stretch is scored by the
log density of its samples, a Student law of `DEGREES` degrees with the predicted place and the
root of the stated variances of motion and sample (a fit that is sure and wrong loses by its own
sureness, and no single stretch decides all). A stretch is one term of the comparison. It costs a
reconstruction a model. A model by which no motion can be found, as one without drag may be where
drag took most of the work, is named with the reason and has no score.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from lashwave.mechanics import known_stiffness
from lashwave.quantities import Array, Fit, NotConvergedError, Trial, interpolate

DEGREES = 4.0
Estimate = Callable[[Trial], Fit]


def variants(trial: Trial) -> dict[str, Trial]:
    """The trial as each model would have it, by the model's name.

    Drag is taken away with the diameters, after the stiffness was told from them where it was not
    stated; the drag law's dependence on Mach is not switched here.
    """
    line = trial.line
    none = np.zeros_like(line.station)
    found = {
        "whole": trial,
        "no bending": replace(trial, line=replace(line, bending_stiffness=none, droops=())),
        "no drag": _without_drag(trial),
    }
    if line.tuft is not None:
        found["no tuft"] = replace(trial, line=replace(line, tuft=None))
    return found


def _without_drag(trial: Trial) -> Trial:
    line = trial.line
    stiffness = known_stiffness(line).value
    tuft = None if line.tuft is None else replace(line.tuft, area=0.0)
    thin = np.full_like(line.station, 1e-9)
    bare = replace(line, diameter=thin, bending_stiffness=stiffness, droops=(), tuft=tuft)
    return replace(trial, line=bare, markers=replace(trial.markers, diameter=0.0))


def stretches(trial: Trial, each: int = 4, span: float = 20e-3) -> NDArray[np.int64]:
    """(T, L) number of the stretch that a sample belongs to, -1 where the fit may see it.

    Samples are those of the markers; each stretch is `span` [s] long.
    """
    markers = trial.markers
    number = np.full(markers.position.shape[:2], -1)
    width = max(1, round(span * markers.rate))
    count = 0
    for turn, label in enumerate(np.flatnonzero(np.isfinite(markers.station))):
        seen = np.flatnonzero(np.isfinite(markers.position[:, label, 0]))
        seen = seen[(seen > width) & (seen < markers.time.size - width)]
        if seen.size < 4 * each * width:
            continue
        share = (np.arange(each) + (0.5 + turn * 0.618034) % 1.0) / each
        for first in seen[(share * (seen.size - width)).astype(int)]:
            number[first : first + width, label] = count
            count += 1
    return number


def without(trial: Trial, number: NDArray[np.int64]) -> Trial:
    """The trial with the samples of all stretches taken out.

    number : (T, L), of `stretches`; positions taken out are nan [m].
    """
    place = trial.markers.position.copy()
    place[number >= 0] = np.nan
    return replace(trial, markers=replace(trial.markers, position=place))


def scores(trial: Trial, number: NDArray[np.int64], fit: Fit) -> Array:
    """(B,) log density [1] of each stretch's samples under a fit that did not see them."""
    markers = trial.markers
    place, _ = interpolate(fit.time, fit.position, fit.velocity, markers.time)
    row = np.clip(np.searchsorted(fit.time, markers.time), 0, fit.time.size - 1)
    node = np.abs(fit.station[None, :] - np.nan_to_num(markers.station)[:, None]).argmin(1)
    sd = np.hypot(fit.position_sd[row][:, node], markers.sd[..., None])
    each = student.logpdf((markers.position - place[:, node]) / sd, DEGREES) - np.log(sd)
    total = np.where(np.isfinite(each), each, 0.0).sum(-1)
    return np.asarray(np.bincount(number[number >= 0], total[number >= 0]), dtype=float)


@dataclass(frozen=True)
class HeldOut:
    """Of one trial."""

    scores: dict[str, Array]
    """(B,) of every model that could be fitted, by its name; all on the same stretches."""
    failed: dict[str, str]
    """Why the others could not, by their names."""


def compare(
    trial: Trial, estimate: Estimate, progress: Callable[[str, float], None] | None = None
) -> HeldOut:
    """Refit and score every model; raises NotConvergedError where the whole one fails."""
    number = stretches(trial)
    found: dict[str, Array] = {}
    failed: dict[str, str] = {}
    models = variants(without(trial, number))
    for i, (name, one) in enumerate(models.items()):
        if progress:
            progress(f"refit: {name}", i / len(models))
        try:
            found[name] = scores(trial, number, estimate(one))
        except NotConvergedError as problem:
            if name == "whole":
                raise
            failed[name] = str(problem)
    return HeldOut(found, failed)
