"""Models compared by what they predict: many short forecasts, each from the reconstructed state.

Every forecast starts at a time t, follows the hand for a horizon, and is held against the marker
samples seen meanwhile. The size of its error against the whole model's is a ratio; its logarithm,
averaged over all forecasts, says how much worse (or better) a model predicts, slow and fast parts
of the record counting alike. Forecasts that follow each other share their misfit: the standard
error is taken over blocks of them, in time.

The state at the start comes from a fit of the whole model to all sightings, later ones too. That
favours the whole model where it matters little; `held_out` refits, and is the clean, costly way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate import FitSetup
from lashwave.quantities import Array
from lashwave.study.forecast import MotionOnNodes, Rival, carry, marker_nodes

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
