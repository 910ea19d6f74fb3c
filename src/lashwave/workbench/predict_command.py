"""`lashwave predict`: a trial's motion from its hand's alone, held against what was seen."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from lashwave import report, study
from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench import model_files as io
from lashwave.workbench.shared_options import DONE, Out, Quiet, TrialOrCampaign

FILES = frozenset(
    {"speed.csv", "markers.csv", "cameras.csv", "summary.json", "prediction.svg",
     "prediction.png", "distance.svg", "distance.png"}
)  # fmt: skip


OF_LONG = 3
"""Places at most at which the draws of a long record are kept: no member could begin from them."""
NEAR = 20e-3
"""Distance to the markers [m] up to which a prediction is printed to hold."""


def predict(
    trial: TrialOrCampaign,
    /,
    *,
    out: Out,
    answers: Annotated[Path | None, Parameter(help="What `reconstruct` wrote for it.")] = None,
    draws: Annotated[int, Parameter(help="Members of the ensemble, 4 to 100.")] = 24,
    quiet: Quiet = False,
) -> int:
    """Predict a trial from its hand's motion alone, and hold it against what was seen.

    Of what `campaign` wrote, every finished throw, with a table over them.
    """
    from lashwave.files import replace_folder

    if not 4 <= draws <= 100:
        raise InputError("--draws", f"{draws} draws", "ask for 4 to 100")
    trials, places = io.of_campaign([trial], [] if answers is None else [answers])
    if not places:
        raise InputError("--answers", "are not named", "name what `reconstruct` wrote")
    for one in trials:
        folders.check_trial_folder(one)
        folders.check_apart(out, one)
    many = trials != [trial]
    known = frozenset({"throws.csv", *(p.parent.name for p in places)}) if many else FILES
    folders.check_new_folder(
        out, known=known, option="--out", inputs=[p / "motion.nc" for p in places]
    )
    with console.progress(quiet) as show:
        found = [_predicted(t, p, draws, show) for t, p in zip(trials, places, strict=True)]

    def whole(folder: Path) -> None:
        names = [p.parent.name for p in places]
        for name, one in zip(names, found, strict=True):
            (folder / name).mkdir()
            _write_prediction(folder / name, one)
        _write_throws(folder / "throws.csv", names, found)

    replace_folder(out, whole if many else lambda folder: _write_prediction(folder, found[0]))
    if many:
        _show_throws([p.parent.name for p in places], found)
        console.say(f"{len(found)} throws predicted: {out / 'throws.csv'}")
    else:
        _show_prediction(found[0], out)
    return DONE


def _predicted(trial: Path, answers: Path, draws: int, show: console.Progress) -> study.Prediction:
    """One trial's prediction by an ensemble of so many members."""
    from dataclasses import replace

    from lashwave.files import read_draws
    from lashwave.mechanics import Law, uneven

    known, setup, seen, shared = io.read(trial, answers)
    places = next(read_draws(answers, 1)).station.size
    if places <= OF_LONG:
        raise InputError(
            answers / "samples.nc", f"has draws at {places} places only, as of a long record",
            "reconstruct it with --window none",
        )  # fmt: skip
    steady = setup.chain
    setup = replace(setup, chain=uneven(known.line, steady, shared))
    model = study.rivals(setup, Law.scaled(shared))[0]

    def members() -> Iterator[tuple[study.Rival, study.MotionOnNodes]]:
        for i, draw in enumerate(read_draws(answers, draws)):
            show(f"ensemble of {known.name}", i / draws)
            motion = study.on_nodes(
                draw.time, draw.station, draw.position, draw.velocity, setup.chain
            )
            chain = uneven(known.line, steady, draw.shared)
            yield replace(model, law=Law.scaled(draw.shared), chain=chain), motion

    return study.predicted(setup, model, seen, members(), shared)


def _show_throws(names: list[str], found: list[study.Prediction]) -> None:
    """How long each throw was predicted within 20 mm, and the tip's peak beside what was seen."""
    rows = []
    for name, one in zip(names, found, strict=True):
        said = _summary(one)
        peak: Any = said["peak_tip_speed"]
        within = one.horizon(NEAR)
        rows.append([
            name, f"{said['span_s']:.3f}", "all" if within is None else f"{within:.3f}",
            f"{peak['predicted']:.1f}", f"{peak['low95']:.1f} to {peak['high95']:.1f}",
            f"{peak['reconstructed_at_marker_samples']:.1f}",
        ])  # fmt: skip
    console.table(
        "Predicted from the hand alone",
        ["trial", "record [s]", f"within {1e3 * NEAR:.0f} mm for [s]", "tip's peak [m/s]",
         "95 %", "as reconstructed"], rows,
    )  # fmt: skip


def _write_throws(path: Path, names: list[str], found: list[study.Prediction]) -> None:
    """A row a throw: how far it was predicted, and its peak beside the reconstructed one."""
    rows = []
    for name, one in zip(names, found, strict=True):
        said = _summary(one)
        peak: Any = said["peak_tip_speed"]
        rows.append([
            name, said["span_s"], *(one.horizon(level) for level in study.LEVELS), said["covered"],
            peak["predicted"], peak["low95"], peak["high95"],
            peak["reconstructed_at_marker_samples"],
        ])  # fmt: skip
    io.save_csv(
        path,
        ["trial", "span [s]",
         *(f"predicted_within_{1e3 * level:.0f}mm [s]" for level in study.LEVELS), "covered",
         "peak_tip_predicted [m/s]", "low95 [m/s]", "high95 [m/s]", "peak_tip_seen [m/s]"],
        rows,
    )  # fmt: skip


def _write_prediction(folder: Path, found: study.Prediction) -> None:
    import numpy as np

    from lashwave.quantities import band

    low, _, high = band(found.tip_draws)
    spread = np.sqrt((found.spread**2).mean(1))
    io.save_csv(
        folder / "speed.csv",
        ["time [s]", "distance [m]", "spread [m]", "tip_predicted [m/s]", "low95 [m/s]",
         "high95 [m/s]", "tip_reconstructed [m/s]"],
        zip(found.time, found.distance, spread, found.tip_speed, low, high, found.tip_seen,
            strict=True),
    )  # fmt: skip
    io.save_csv(
        folder / "markers.csv",
        ["time [s]", "marker", "station [m]", "dx [m]", "dy [m]", "dz [m]", "spread [m]"],
        (
            (t, name, s, *found.residual[i, j], found.spread[i, j])
            for i, t in enumerate(found.time)
            for j, (name, s) in enumerate(zip(found.labels, found.station, strict=True))
            if np.isfinite(found.residual[i, j, 0])
        ),
    )
    io.save_csv(
        folder / "cameras.csv",
        ["time [s]", "camera", "du [px]", "dv [px]"],
        ((t, name, *d) for name, (when, miss) in found.camera.items()
         for t, d in zip(when, miss, strict=True)),
    )  # fmt: skip
    io.save_json(folder / "summary.json", _summary(found))
    io.save_figure(
        report.figures_study.prediction(
            found.time, found.distance, spread, found.tip_speed, found.tip_draws, found.tip_seen
        ),
        folder / "prediction",
    )
    distance = np.linalg.norm(found.residual, axis=-1)
    io.save_figure(
        report.figures_study.residual_map(found.time, found.station, distance), folder / "distance"
    )


def _summary(found: study.Prediction) -> dict[str, object]:
    import numpy as np

    from lashwave.quantities import band

    low, _, high = band(found.tip_draws.max(axis=1))
    return {
        "span_s": float(found.time[-1] - found.time[0]),
        "horizons": [
            {"within_m": level, "predicted_s": found.horizon(level),
             "ensemble_s": found.spread_horizon(level)}
            for level in study.LEVELS
        ],
        "covered": float(np.nanmean(found.covered)),
        "members": int(found.tip_draws.shape[0]),
        "peak_tip_speed": {
            "predicted": float(found.tip_speed.max()),
            "low95": float(low),
            "high95": float(high),
            "reconstructed_at_marker_samples": float(found.tip_seen.max()),
        },
        "camera_rms_px": {
            name: float(np.sqrt(np.mean(miss**2)))
            for name, (when, miss) in found.camera.items() if when.size
        },
    }  # fmt: skip


def _show_prediction(found: study.Prediction, out: Path) -> None:
    import numpy as np

    from lashwave.quantities import band

    def text(value: float | None) -> str:
        return "to the end" if value is None else f"{1e3 * value:.0f} ms"

    rows = [
        [f"{1e3 * level:.0f} mm", text(found.horizon(level)), text(found.spread_horizon(level))]
        for level in study.LEVELS
    ]
    console.table(
        f"predicted from the hand alone, over {found.time[-1] - found.time[0]:.3f} s",
        ["within", "prediction against markers", "spread of the ensemble"], rows,
    )  # fmt: skip
    low, _, high = band(found.tip_draws.max(axis=1))
    console.say(
        f"peak tip speed at the marker samples: predicted {found.tip_speed.max():.1f} m/s "
        f"({low:.1f} to {high:.1f}), reconstructed {found.tip_seen.max():.1f} m/s"
    )
    console.say(
        f"{np.nanmean(found.covered):.0%} of marker coordinates lie within the ensemble's 95 %"
    )
    console.say(f"written: {out}")
