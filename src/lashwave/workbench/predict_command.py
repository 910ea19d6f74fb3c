"""`lashwave predict`: a trial's motion from its hand's alone, held against what was seen."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from lashwave import report, study
from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench import model_files as io
from lashwave.workbench.shared_options import DONE, Out, Quiet, Trial

FILES = frozenset(
    {"speed.csv", "markers.csv", "cameras.csv", "summary.json", "prediction.svg",
     "prediction.png", "distance.svg", "distance.png"}
)  # fmt: skip


def predict(
    trial: Trial,
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

    if not 4 <= draws <= 100:
        raise InputError("--draws", f"{draws} draws", "ask for 4 to 100")
    folders.check_trial_folder(trial)
    folders.check_apart(out, trial)
    folders.check_new_folder(out, known=FILES, option="--out", inputs=[answers / "motion.nc"])
    known, setup, seen, shared = io.read(trial, answers)
    model = study.rivals(setup, Law.scaled(shared))[0]
    with console.progress(quiet) as show:

        def members() -> Iterator[tuple[study.Rival, study.MotionOnNodes]]:
            for i, draw in enumerate(read_draws(answers, draws)):
                show("ensemble", i / draws)
                motion = study.on_nodes(
                    draw.time, draw.station, draw.position, draw.velocity, setup.chain
                )
                chain = sloped(known.line, model.chain, draw.shared.get(SLOPE, 0.0))
                yield replace(model, law=Law.scaled(draw.shared), chain=chain), motion

        found = study.predicted(setup, model, seen, members(), shared)
    replace_folder(out, lambda folder: _write_prediction(folder, found))
    _show_prediction(found, out)
    return DONE


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
