"""Answers in, tables and figures out, for the commands that compare models."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashwave.quantities import InputError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from lashwave.estimate import FitSetup
    from lashwave.quantities import Trial
    from lashwave.study import MotionOnNodes


def read(trial: Path, answers: Path) -> tuple[Trial, FitSetup, MotionOnNodes, dict[str, float]]:
    """A trial, its chain, the reconstructed motion on its nodes, and the shared parameters.

    Raises InputError where either cannot be read or the answers are of another trial.
    """
    from lashwave.files import read_motion
    from lashwave.pipeline import answered_trial
    from lashwave.study import on_nodes, prepared

    known, summary = answered_trial(trial, answers)
    motion = read_motion(answers)
    setup = prepared(known)
    time, station, position, velocity = (
        motion[n].values for n in ("time", "station", "position", "velocity")
    )
    seen = on_nodes(time, station, position, velocity, setup.chain)
    shared = {name: a.value for name, a in summary.answers.items() if a.value is not None}
    return known, setup, seen, shared


def of_campaign(trials: Sequence[Path], answers: Sequence[Path]) -> tuple[list[Path], list[Path]]:
    """Trials and their answers, from what `campaign` wrote where that is what was named.

    Raises InputError where a campaign has no finished throw, or its record cannot be read.
    """
    from lashwave.files import campaign_place

    found = campaign_place.finished(trials[0]) if len(trials) == 1 and not answers else None
    if found is None:
        return list(trials), list(answers)
    if not found:
        raise InputError(trials[0], "has no finished throw", "run `lashwave campaign` to its end")
    return [trial for trial, _ in found], [place for _, place in found]


def save_csv(path: Path, heading: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """A CSV file; a number that is not finite is an empty cell."""
    from lashwave.report import table_file

    path.write_bytes(table_file(heading, [[_plain(x) for x in row] for row in rows]))


def _plain(x: Any) -> Any:
    x = x.item() if hasattr(x, "item") else x
    return None if isinstance(x, float) and not math.isfinite(x) else x


def save_json(path: Path, record: dict[str, Any]) -> None:
    """A JSON file with finite numbers only."""
    path.write_text(json.dumps(record, indent=1, allow_nan=False) + "\n", encoding="utf-8")


def save_figure(figure: Figure, path: Path) -> None:
    """A figure as a vector (SVG) and as an image (PNG) beside it."""
    from lashwave.report import figure_file

    for kind in ("svg", "png"):
        path.with_suffix(f".{kind}").write_bytes(figure_file(figure, kind))
