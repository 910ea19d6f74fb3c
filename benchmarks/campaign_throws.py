"""Short throws of invented lines for the campaign's benchmark, and how one is fitted cheaply."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

MARKERS = (0.02, 0.1, 0.24, 0.38, 0.51, 0.63)
LENGTH, GRIP, DURATION = 0.7, 0.12, 0.3
LINKS, DRAWS = 24, 100


def lash_of(line: int) -> Any:
    """A line of its own: table, markers, and how far both are from what is stated."""
    import numpy as np

    from lashwave.quantities import Line
    from lashwave.twin.throw_scene import Lash

    rng = np.random.default_rng([16, line])
    station = np.linspace(0.0, LENGTH, 10)
    x = station / LENGTH
    heavy = float(np.exp(rng.normal(0.0, 0.1)))
    true = {
        "diameter": 6e-3 - 3.5e-3 * x,
        "linear_density": heavy * (0.025 - 0.021 * x),
        "bending_stiffness": 4e-4 * (1.0 - 0.9 * x) ** 2,
    }
    sd = {"diameter": 0.02, "linear_density": 0.01, "bending_stiffness": 0.08}
    read = {n: c * (1.0 + sd[n] * rng.standard_normal(10)) for n, c in true.items()}
    stated = Line(station, **read, column_sd={n: sd[n] * read[n] for n in read}, handle_length=GRIP)
    places = np.array(MARKERS)
    seen = places + 2e-3 * rng.standard_normal(places.size)
    line_true = Line(station, **true, handle_length=GRIP)
    return Lash(line_true, stated, seen, places, 2e-3, 1e-4, 4e-3)


def law_of(line: int) -> Any:
    """What the line's law is, over what is stated."""
    import numpy as np

    from lashwave.mechanics import Law

    drag, along, stiff, damped = np.random.default_rng([17, line]).standard_normal(4)
    return Law(np.exp(0.12 * drag), np.exp(0.3 * along), 1.0, np.exp(0.1 * stiff),
               2e-3 * np.exp(0.4 * damped))  # fmt: skip


def made(place: Path, line: int, throw: int) -> dict[str, Any]:
    """One trial folder; what is true of it."""
    import numpy as np

    from lashwave.files import write_trial
    from lashwave.quantities import Air
    from lashwave.twin.bench import observe
    from lashwave.twin.hands import Stroke, Throw
    from lashwave.twin.throw_scene import ThrowScene
    from lashwave.twin.throws import chain_of, run
    from lashwave.twin.truth import of_trajectory
    from lashwave.twin.views import Wishes

    name = f"line{line:02d}-throw{throw:02d}"
    kept = place / "truth" / f"{name}.json"
    if kept.exists():
        return dict(json.loads(kept.read_text()))
    rng = np.random.default_rng([18, line, throw])
    a = np.exp(0.08 * rng.standard_normal(6))
    hand = Throw(
        angle=-0.6,
        turn=(Stroke(0.01, 0.11, 0.7 * a[0]), Stroke(0.09, 0.12, -1.3 * a[1])),
        forward=(Stroke(0.07, 0.14, 0.15 * a[2]),),
        up=(Stroke(0.03, 0.14, 0.1 * a[3]),),
        aside=(Stroke(0.07, 0.2, 0.03 * a[4]),),
        lean=(Stroke(0.07, 0.17, 0.1 * a[5]),),
        azimuth=0.1,
    )
    lash, law = lash_of(line), law_of(line)
    scene = ThrowScene("swing", 1000 * line + throw, lash, hand.grip(DURATION), None, law, Air(),
                       DURATION)  # fmt: skip
    chain = chain_of(lash)
    path = of_trajectory(
        run(scene, chain, np.arange(0.0, DURATION + 1e-9, 2.5e-4), 2e-5), chain.station
    )
    trial, truth = observe(scene, path, Wishes())
    trial = replace(trial, name=name, specimen=f"line {line}", thrower=f"arm {throw % 4}")
    shutil.rmtree(place / "trials" / name, ignore_errors=True)  # of a run that was stopped
    write_trial(place / "trials" / name, trial)
    stated = trial.markers.station
    places = {
        f"station:{label}": float(lash.station[at] - s)
        for label, s in zip(trial.markers.labels, stated, strict=True)
        if np.isfinite(s) and (gap := np.abs(lash.stated_station - s)).min() < 1e-4
        for at in [int(gap.argmin())]
    }
    found = {**{n: v for n, v in truth.answers.items() if v is not None}, **places}
    kept.parent.mkdir(parents=True, exist_ok=True)
    kept.write_text(json.dumps(found))
    return found


def short(folder: Path, out: Path, known: Any = ()) -> dict[str, Any]:
    """A throw reconstructed on a coarse chain and written without its report."""
    from lashwave.estimate import Options

    return _fitted(folder, out, Options(
        most_links=LINKS, draws=DRAWS, longest_step=3e-3, turn=0.4, sweep_turn=0.6, known=known
    ))  # fmt: skip


def fine(folder: Path, out: Path, known: Any = ()) -> dict[str, Any]:
    """A throw reconstructed as `reconstruct` does it, and written without its report."""
    from lashwave.estimate import Options

    return _fitted(folder, out, Options(known=known))


def _fitted(folder: Path, out: Path, options: Any) -> dict[str, Any]:
    from dataclasses import asdict

    from lashwave.files import write_results
    from lashwave.pipeline import read_usable, reconstruct_trial
    from lashwave.pipeline.reconstruct import Reconstruction
    from lashwave.pipeline.throw_facts import facts_of

    trial = read_usable(folder)
    fit, answers, lists = reconstruct_trial(trial, None, options)
    page = {"report.html": b"<!doctype html><title>no report</title>"}
    write_results(out, fit, answers, lists, page, trial, asdict(options))
    return facts_of(Reconstruction(trial, fit, answers, lists))


def compiled(place: Path) -> None:
    """Fit a throw of no campaign once, so that what is timed later compiles nothing."""
    if not (place / "compiled").exists():
        made(place / "alone", 0, 0)
        short(next((place / "alone" / "trials").iterdir()), place / "compiled")
