"""`predict`, `rank` and `fall`: models held against what they were not fitted to."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench import models_io as io

if TYPE_CHECKING:
    from lashwave.study import Prediction

PREDICTED = frozenset(
    {"speed.csv", "markers.csv", "cameras.csv", "summary.json", "prediction.svg",
     "prediction.png", "distance.svg", "distance.png"}
)  # fmt: skip
RANKED = frozenset({"models.csv", "forecasts.csv", "held-out.csv", "models.svg", "models.png"})
FELL = frozenset({"fall.csv", "blocks.csv", "fall.svg", "fall.png"})
Out = Annotated[Path, Parameter(name="--out", help="Folder to write; an earlier one is replaced.")]
Quiet = Annotated[bool, Parameter(name="--quiet", negative="", help="Show no progress.")]


def predict(
    trial: Annotated[Path, Parameter(name="TRIAL", help="Folder that holds trial.toml.")],
    /,
    *,
    answers: Annotated[Path, Parameter(help="What `reconstruct` wrote for it.")],
    out: Out,
    draws: Annotated[int, Parameter(help="Members of the ensemble, 4 to 100.")] = 24,
    quiet: Quiet = False,
) -> int:
    """Predict a trial from its hand's motion alone, and hold it against what was seen."""
    from dataclasses import replace

    from lashwave.files import read_draws, replace_folder
    from lashwave.mechanics import Law, sloped
    from lashwave.quantities import SLOPE
    from lashwave.study import on_nodes, predicted as run, rivals

    if not 4 <= draws <= 100:
        raise InputError("--draws", f"{draws} draws", "ask for 4 to 100")
    folders.check_trial_folder(trial)
    folders.check_apart(out, trial)
    folders.check_new_folder(out, known=PREDICTED, option="--out", inputs=[answers / "motion.nc"])
    known, setup, seen, shared = io.read(trial, answers)
    model = rivals(setup, Law.scaled(shared))[0]
    with console.progress(quiet) as show:

        def members():  # type: ignore[no-untyped-def]
            for i, draw in enumerate(read_draws(answers, draws)):
                show("ensemble", i / draws)
                motion = on_nodes(
                    draw.time, draw.station, draw.position, draw.velocity, setup.chain
                )
                chain = sloped(known.line, model.chain, draw.shared.get(SLOPE, 0.0))
                yield replace(model, law=Law.scaled(draw.shared), chain=chain), motion

        found = run(setup, model, seen, members(), shared)
    replace_folder(out, lambda folder: _write_prediction(folder, found))
    _show_prediction(found, out)
    return 0


def _write_prediction(folder: Path, found: Prediction) -> None:
    import numpy as np

    from lashwave.report import figures_models

    low, high = np.quantile(found.tip_draws, [0.025, 0.975], axis=0)
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
        figures_models.prediction(
            found.time, found.distance, spread, found.tip_speed, found.tip_draws, found.tip_seen
        ),
        folder / "prediction",
    )
    distance = np.linalg.norm(found.residual, axis=-1)
    io.save_figure(
        figures_models.residual_map(found.time, found.station, distance), folder / "distance"
    )


def _summary(found: Prediction) -> dict[str, object]:
    import numpy as np

    from lashwave.study import LEVELS

    peaks = found.tip_draws.max(axis=1)
    return {
        "span_s": float(found.time[-1] - found.time[0]),
        "horizons": [
            {"within_m": level, "predicted_s": found.horizon(level),
             "ensemble_s": found.doubt_horizon(level)}
            for level in LEVELS
        ],
        "covered": float(np.nanmean(found.covered)),
        "members": int(found.tip_draws.shape[0]),
        "peak_tip_speed": {
            "predicted": float(found.tip_speed.max()),
            "low95": float(np.quantile(peaks, 0.025)),
            "high95": float(np.quantile(peaks, 0.975)),
            "reconstructed_at_marker_samples": float(found.tip_seen.max()),
        },
        "camera_rms_px": {
            name: float(np.sqrt(np.mean(miss**2)))
            for name, (when, miss) in found.camera.items() if when.size
        },
    }  # fmt: skip


def _show_prediction(found: Prediction, out: Path) -> None:
    import numpy as np

    from lashwave.study import LEVELS

    def text(value: float | None) -> str:
        return "to the end" if value is None else f"{1e3 * value:.0f} ms"

    rows = [
        [f"{1e3 * level:.0f} mm", text(found.horizon(level)), text(found.doubt_horizon(level))]
        for level in LEVELS
    ]
    console.table(
        f"predicted from the hand alone, over {found.time[-1] - found.time[0]:.3f} s",
        ["within", "prediction against markers", "spread of the ensemble"], rows,
    )  # fmt: skip
    low, high = np.quantile(found.tip_draws.max(axis=1), [0.025, 0.975])
    console.say(
        f"peak tip speed at the marker samples: predicted {found.tip_speed.max():.1f} m/s "
        f"({low:.1f} to {high:.1f}), reconstructed {found.tip_seen.max():.1f} m/s"
    )
    console.say(
        f"{np.nanmean(found.covered):.0%} of marker coordinates lie within the ensemble's 95 %"
    )
    console.say(f"written: {out}")


def rank(
    trials: Annotated[list[Path], Parameter(name="TRIALS", help="Folders with trial.toml.")],
    /,
    *,
    answers: Annotated[
        list[Path], Parameter(help="What `reconstruct` wrote for each, in order.", negative="")
    ],
    out: Out,
    horizon: Annotated[float, Parameter(help="Of one forecast [s].")] = 20e-3,
    refit: Annotated[
        bool, Parameter(negative="", help="Refit every model without some sightings; minutes.")
    ] = False,
    quiet: Quiet = False,
) -> int:
    """Rank models of the forces by what they predict, with standard errors of the differences.

    With several trials, each one's forecasts use the law fitted to the others.
    """
    from lashwave.files import replace_folder
    from lashwave.workbench import models_rank

    if len(answers) != len(trials):
        raise InputError(
            "--answers", f"{len(answers)} for {len(trials)} trials", "name one for each"
        )
    if not 1e-3 <= horizon <= 1.0:
        raise InputError("--horizon", f"{horizon:g} s", "ask for 0.001 to 1 s")
    for trial in trials:
        folders.check_trial_folder(trial)
        folders.check_apart(out, trial)
    folders.check_new_folder(
        out, known=RANKED, option="--out", inputs=[a / "motion.nc" for a in answers]
    )
    with console.progress(quiet) as show:
        ranking = models_rank.run(trials, answers, horizon, refit, show)
    replace_folder(out, lambda folder: models_rank.write(folder, ranking))
    models_rank.show(ranking, out)
    return 0


def fall(
    records: Annotated[
        list[Path],
        Parameter(name="RECORDS", help="CSV files: time [s], height [m] of the free end."),
    ],
    /,
    *,
    length: Annotated[float, Parameter(help="Of the chain [m].")],
    out: Out,
    length_sd: Annotated[float, Parameter(help="Its standard deviation [m].")] = 1e-3,
    gap: Annotated[float, Parameter(help="Between the two arms [m].")] = 0.0,
    links: Annotated[int | None, Parameter(help="How many links it has, where coarse.")] = None,
    gravity: Annotated[float, Parameter(help="[m/s2]")] = 9.80665,
) -> int:
    """Say which fold a falling chain has: energy-keeping, plastic, or which share in between."""
    from lashwave.files import replace_folder
    from lashwave.workbench import models_fall

    if not (0.01 <= length <= 1e3 and 0 < length_sd < length and 0.1 <= gravity <= 100):
        raise InputError(
            "--length", f"{length:g} +- {length_sd:g} m under {gravity:g} m/s2",
            "write plain numbers in SI, each above 0",
        )  # fmt: skip
    if not 0 <= gap <= 0.2 * length:
        raise InputError(
            "--gap", f"{gap:g} m", "write the arms' distance, a fifth of --length at most"
        )
    folders.check_new_folder(out, known=FELL, option="--out", inputs=records)
    if links is not None and links < 10:
        raise InputError("--links", f"{links} links", "the law is of chains of many: 10 or more")
    chain = models_fall.Hung(length, length_sd, gravity, gap, links or float("inf"))
    judged = [models_fall.run(path, chain) for path in records]
    replace_folder(out, lambda folder: models_fall.write(folder, judged))
    models_fall.show(judged, out)
    return 0
