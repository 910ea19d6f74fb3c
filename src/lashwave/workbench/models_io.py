"""Answers in, tables and figures out, for the commands that compare models."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lashwave.quantities.errors import InputError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from lashwave.estimate.setup import Setup
    from lashwave.quantities.trial import Trial
    from lashwave.study.forecast import Seen


def read(trial: Path, answers: Path) -> tuple[Trial, Setup, Seen, dict[str, float]]:
    """A trial, its chain, the reconstructed motion on its nodes, and the shared parameters.

    Raises InputError where either cannot be read or the answers are of another trial.
    """
    from lashwave.files.results import read_motion
    from lashwave.files.trial import read_trial
    from lashwave.study.forecast import on_nodes, prepared

    known = read_trial(trial)
    motion = read_motion(answers)
    summary = json.loads((answers / "summary.json").read_text(encoding="utf-8"))
    if motion.attrs.get("trial") != known.name:
        raise InputError(
            answers, f"holds answers of trial {motion.attrs.get('trial')!r}, not {known.name!r}",
            "name the folder that `reconstruct` wrote for this trial",
        )  # fmt: skip
    setup = prepared(known)
    time, station, position, velocity = (
        motion[n].values for n in ("time", "station", "position", "velocity")
    )
    seen = on_nodes(time, station, position, velocity, setup.chain)
    shared = {
        name: float(q["value"])
        for name, q in summary["quantities"].items()
        if q.get("value") is not None
    }
    return known, setup, seen, shared


def save_csv(path: Path, heading: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """A CSV file; numbers to seven figures, nan and None as empty cells."""
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(heading)
        for row in rows:
            out.writerow([_cell(x) for x in row])


def _cell(x: Any) -> str:
    if x is None or (isinstance(x, float | np.floating) and not np.isfinite(x)):
        return ""
    return f"{x:.7g}" if isinstance(x, float | np.floating) else str(x)


def save_figure(figure: Figure, path: Path) -> None:
    """A figure as a vector (SVG) and as an image (PNG) beside it."""
    from matplotlib import rc_context

    from lashwave.report.style import RULES, quiet

    with rc_context(RULES), quiet():
        figure.savefig(path.with_suffix(".svg"), metadata={"Date": None}, facecolor="white")
        figure.savefig(path.with_suffix(".png"), dpi=150, facecolor="white")


def save_json(path: Path, record: dict[str, Any]) -> None:
    """A JSON file with finite numbers only."""
    path.write_text(json.dumps(record, indent=1, allow_nan=False) + "\n", encoding="utf-8")
