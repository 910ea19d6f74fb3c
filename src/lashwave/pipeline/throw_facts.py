"""What a campaign keeps of a fit beside its answers: how good it is, and what throws may share.

Of the shared parameters it keeps mean and covariance of the draws and what was known before, scales
of the law as logarithms; of some answers how they move with these parameters, so that an answer can
follow when they become better known.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from lashwave.estimate import LAW_NAMES, UNRESOLVED, Options, held_scales, set_up
from lashwave.quantities import DISTRUSTED, DRAG_SLOPE, SLOPE, Array

if TYPE_CHECKING:
    from lashwave.pipeline.reconstruct import Reconstruction
    from lashwave.quantities import Moments


def facts_of(done: Reconstruction) -> dict[str, Any]:
    """Everything that is kept, as JSON has it."""
    return {**quality_of(done), "shared": shared_of(done)}


def quality_of(done: Reconstruction) -> dict[str, Any]:
    """How far the fit of a trial can be trusted, in numbers that a person may rank by."""
    from lashwave.pipeline.checkup import inspect

    checkup, of = inspect(done.trial), done.fit.residuals
    weights = [of.marker_weight, *of.camera_weight.values()]
    weight = np.concatenate([w[np.isfinite(w)].ravel() for w in weights])
    residual = of.marker[np.isfinite(of.marker)]
    withheld = done.fit.withheld
    numbers = {
        "distrusted": float((weight < DISTRUSTED).mean()) if weight.size else math.nan,
        "residual": float(np.sqrt(np.mean(residual**2))) if residual.size else math.nan,
        "whiteness": float(of.whiteness),
        "withheld": float(np.average(withheld.coverage, weights=withheld.count))
        if withheld is not None and withheld.count.size
        else math.nan,
    }
    return {
        "verdict": checkup.verdict,
        "cares": [f"{f.about}: {f.text}" for f in checkup.findings if f.level == "care"],
        **{name: value if math.isfinite(value) else None for name, value in numbers.items()},
    }


def shared_of(done: Reconstruction) -> dict[str, Any]:
    """What the draws say of the parameters that throws of one line share, and of the answers."""
    from lashwave.answers import moments_of

    setup = set_up(done.trial, Options())
    before, held, draws = setup.shared, held_scales(setup), done.fit.draws
    names = [n for n in before.names if n in draws.shared and is_shared(n)]
    columns = [before.names.index(n) for n in names]
    value = np.array([_plain(n, draws.shared[n]) for n in names]).reshape(len(names), -1)
    moments = moments_of(done.trial, done.fit)
    return {
        "names": names,
        "draws": int(value.shape[1]),
        "mean": value.mean(axis=1).tolist(),
        "covariance": np.atleast_2d(np.cov(value)).tolist() if names else [],
        "stated_mean": before.mean[columns].tolist(),
        "stated_sd": before.sd[columns].tolist(),
        # In every throw's draws and the same in all: more throws do not wear it down.
        "model_sd": [0.0 if n in held else UNRESOLVED.get(n, 0.0) for n in names],
        "answers": {
            name: np.array([np.cov(row, of)[0, 1] for row in value]).tolist()
            for name, of in _answer_draws(moments).items()
            if np.isfinite(of).all() and np.ptp(of) > 0.0
        },
    }


def is_shared(name: str) -> bool:
    """Whether throws of one line have a parameter in common: its law, and where markers sit."""
    return name in (*LAW_NAMES, SLOPE, DRAG_SLOPE) or name.startswith("station:")


def _plain(name: str, values: Array) -> Array:
    return np.log(values) if name in LAW_NAMES else np.asarray(values)


def _answer_draws(moments: Moments) -> dict[str, Array]:
    """Answers that one number a draw tells of."""
    tip, sonic = moments.tip, moments.sonic
    return {
        "peak_tip_speed": tip.peak,
        "peak_tip_mach": tip.peak / moments.sounds,
        "peak_tip_speed_time": tip.peak_time,
        "peak_tip_speed_100us": tip.over_span,
        "sonic_time": sonic.time,
        "sonic_station": sonic.station,
        "extension_at_sonic": sonic.extension,
    }
