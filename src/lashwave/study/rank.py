"""Models compared by what they predict: many short forecasts, each from the reconstructed state.

Every forecast starts at a time t, follows the hand for a horizon, and is held against the marker
samples seen meanwhile. The size of its error against the whole model's is a ratio; its logarithm,
averaged over all forecasts, says how much worse (or better) a model predicts, slow and fast parts
of the record counting alike. Forecasts that follow each other share their misfit: the standard
error is taken over blocks of them, in time.

The state at the start comes from a fit of the whole model to all sightings, later ones too. That
favours the whole model where it matters little; `held_out` refits, and is the clean, costly way.

Models compared by a whole refit without some of the sightings, scored on those.

Every marker on the line loses stretches of some hundredths of a second, at times of its own; the
fit never sees them. Each model then reconstructs the trial anew, and each stretch is scored by the
log density of its samples, a Student law of `DEGREES` degrees with the predicted place and the
root of the stated variances of motion and sample (a fit that is sure and wrong loses by its own
sureness, and no single stretch decides all). A stretch is one term of the comparison. It costs a
reconstruction a model. A model by which no motion can be found, as one without drag may be where
drag took most of the work, is named with the reason and has no score.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from lashwave.estimate import FitSetup
from lashwave.mechanics import known_stiffness
from lashwave.quantities import Array, Fit, NotConvergedError, Trial, interpolate
from lashwave.study.forecast import MotionOnNodes, Rival, carry, marker_nodes

DEGREES = 4.0
Estimate = Callable[[Trial], Fit]


def variants(trial: Trial) -> dict[str, Trial]:
    """The trial as each model would have it, by the model's name.

    Drag is taken away with the diameters, after the stiffness was found from them where it was not
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


Progress = Callable[[str, float], None]
LIKELY = 2.0
"""Standard errors below which the data are said not to tell."""


@dataclass(frozen=True)
class Windows:
    """How a record is cut into forecasts."""

    horizon: float = 20e-3
    """[s]"""
    every: float = 10e-3
    """Between two starts [s]."""
    blocks: int = 12
    """Of consecutive forecasts, for standard errors."""


@dataclass(frozen=True)
class Errors:
    """Sizes of forecast errors of one trial."""

    names: tuple[str, ...]
    start: Array
    """(W,) [s]"""
    rms: Array
    """(M, W) [m], over samples and markers of a forecast, one coordinate; nan where it failed."""
    block: NDArray[np.int64]
    """(W,)"""


def forecast_errors(
    setup: FitSetup,
    seen: MotionOnNodes,
    models: Sequence[Rival],
    windows: Windows,
    progress: Progress | None = None,
) -> Errors:
    """Forecast every window with every model and hold it against the marker samples."""
    markers = setup.trial.markers
    on, node = marker_nodes(setup)
    low, high = seen.time[0], seen.time[-1] - windows.horizon
    start = np.arange(low, high, windows.every)
    rms = np.full((len(models), start.size), np.nan)
    for w, begin in enumerate(start):
        if progress:
            progress("forecasts", w / start.size)
        inside = (markers.time > begin + 1e-9) & (markers.time <= begin + windows.horizon)
        sample = markers.position[inside][:, on]
        if np.isfinite(sample).sum() < 9:
            continue
        times = np.concatenate([[begin], markers.time[inside]])
        for m, model in enumerate(models):
            run = carry(model, setup.gravity, seen, times, most_steps=20_000)
            if run is not None:
                rms[m, w] = np.sqrt(np.nanmean((run[0][1:, node] - sample) ** 2))
    block = np.arange(start.size) * windows.blocks // max(start.size, 1)
    return Errors(tuple(model.name for model in models), start, rms, block)


@dataclass(frozen=True)
class Difference:
    """A model against the whole one."""

    name: str
    log_ratio: float
    """Mean of log(error / error of the whole model); above 0: it predicts worse."""
    error: float
    """Its standard error, over blocks."""
    forecasts: int
    failed: int
    """Forecasts that this model could not carry to their end."""

    @property
    def score(self) -> float:
        """Standard errors by which the whole model predicts better (below 0: worse)."""
        return self.log_ratio / self.error if self.error > 0 else float("nan")

    def sentence(self) -> str:
        """What the record says, in words."""
        percent = 100 * np.expm1(self.log_ratio)
        much = f"errors {percent:+.1f} % against the whole model, {abs(self.score):.1f} s.e."
        if not abs(self.score) > LIKELY:
            return f"{self.name}: the data cannot tell ({much})"
        return f"{self.name}: predicts {'worse' if self.score > 0 else 'better'} ({much})"


def differences(trials: Sequence[Errors]) -> list[Difference]:
    """Each model against the first, over all trials; a block is a stretch of one trial."""
    names = [n for n in trials[0].names if all(n in t.names for t in trials)]
    found = []
    for name in names[1:]:
        means: list[float] = []
        count = failed = 0
        for t in trials:
            m, base = t.names.index(name), t.rms[0]
            ratio = np.log(t.rms[m] / base)
            good = np.isfinite(ratio)
            count += int(good.sum())
            failed += int((np.isfinite(base) & ~good).sum())
            means += [float(ratio[good & (t.block == b)].mean()) for b in np.unique(t.block[good])]
        block = np.array(means)
        error = float(block.std(ddof=1) / np.sqrt(block.size)) if block.size > 1 else np.nan
        found.append(
            Difference(name, float(block.mean()) if block.size else np.nan, error, count, failed)
        )
    return found
