"""`lashwave deposit`: a trial's answers as one archive that a data repository can take."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from lashwave import pipeline, quantities
from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.workbench.deposit_archive import whole, zipped
from lashwave.workbench.shared_options import DONE, TrialOrCampaign, flag

if TYPE_CHECKING:
    import xarray as xr


def deposit(
    trial: TrialOrCampaign,
    /,
    *,
    out: Annotated[Path, Parameter(help="Archive to write (.zip); an earlier one is replaced.")],
    answers: Annotated[
        Path | None, Parameter(help="Folder that `reconstruct` wrote for the trial.")
    ] = None,
    inputs: Annotated[bool, flag("Put the trial's own files in too.")] = False,
) -> int:
    """Pack a trial's answers for a data repository: one archive that explains itself.

    Holds all that `reconstruct` wrote, the markers with their gaps filled as C3D, checksums of the
    inputs and of every file, and a README to be completed by whoever deposits it. Of what
    `campaign` wrote, without --answers: tables, page, and the answers of every finished throw.
    """
    folders.check_trial_folder(trial)
    folders.check_new_file(out, apart=(trial, trial if answers is None else answers))
    if answers is None:
        from lashwave.workbench.deposit_campaign import packed_campaign

        names = packed_campaign(trial, out, inputs=inputs)
    else:
        names = packed(trial, answers, out, inputs=inputs)
    console.say(f"Archive: {out} ({len(names)} files)")
    return DONE


def packed(trial_folder: Path, answers: Path, out: Path, *, inputs: bool) -> list[str]:
    """Write the archive `out` and return the names in it.

    Raises
    ------
    InputError : where the answers are not whole, or not of this trial as it is now.
    """
    from lashwave.files import need_room, read_judgement, read_motion, replace_file, write_filled

    trial, _ = pipeline.answered_trial(trial_folder, answers)
    # NetCDF is packed already, so the archive is no smaller.
    need_room(out, sum(path.stat().st_size for path in answers.glob("*.nc")))
    motion = read_motion(answers)
    labels, seen, filled = _markers(trial, motion, read_judgement(answers))
    with tempfile.TemporaryDirectory(prefix="lashwave-deposit-") as name:
        c3d = Path(name) / "markers-filled.c3d"
        write_filled(c3d, labels, trial.markers.time, seen, filled, trial.markers.rate)
        files = whole(answers) | {c3d.name: c3d}
        if inputs:
            root = trial_folder.resolve()
            files |= {f"inputs/{name}": path for name, path in _inputs(root, trial.hashes)}
        texts = {
            "README.md": _readme(trial, str(motion.attrs["program_version"]), inputs),
            "inputs.sha256": "".join(f"{h}  {n}\n" for n, h in sorted(trial.hashes.items())),
        }
        names: list[str] = []
        replace_file(out, lambda path: names.extend(zipped(path, files, texts)))
    return names


def _markers(
    trial: quantities.Trial, motion: xr.Dataset, judged: xr.Dataset | None
) -> tuple[list[str], Any, Any]:
    """Labels, samples (T, L, 3) and the motion there; the last label is the line's tip.

    Samples that the fit distrusts, ghosts and exchanged labels among them, count as not seen.
    """
    import numpy as np

    markers = trial.markers
    place, _ = quantities.interpolate(
        motion["time"].values, motion["position"].values, motion["velocity"].values, markers.time
    )
    station = motion["station"].values
    wanted = [*markers.station, trial.line.length]
    filled = np.full((markers.time.size, len(wanted), 3), np.nan)
    for column, s in enumerate(wanted):
        if np.isfinite(s):
            right = int(np.clip(np.searchsorted(station, s), 1, station.size - 1))
            share = (s - station[right - 1]) / (station[right] - station[right - 1])
            filled[:, column] = (1 - share) * place[:, right - 1] + share * place[:, right]
    seen = markers.position.copy()
    if judged is not None and judged["marker_weight"].shape == seen.shape[:2]:
        seen[judged["marker_weight"].values < quantities.DISTRUSTED] = np.nan
    tip = np.full((markers.time.size, 1, 3), np.nan)
    return [*markers.labels, "line_tip"], np.concatenate([seen, tip], axis=1), filled


def _inputs(root: Path, names: Iterable[str]) -> list[tuple[str, Path]]:
    """The trial's files by name, pictures one by one; its mends lie beside the folder."""
    found = []
    for name in sorted(names):
        inside = [p for p in sorted(root.glob(name)) if p.is_file()]
        found += [(p.relative_to(root).as_posix(), p) for p in inside]
        if not inside:
            found.append((name, root.parent / name))
    return found


def _readme(trial: quantities.Trial, version: str, inputs: bool) -> str:
    text = resources.files("lashwave.workbench").joinpath("deposit.md").read_text(encoding="utf-8")
    return text.format(
        name=trial.name,
        version=version,
        inputs="the trial as it was read" if inputs else "not in this archive",
        length=trial.line.length,
        markers=len(trial.markers.labels),
        samples=trial.markers.time.size,
        rate=trial.markers.rate,
        cameras=", ".join(f"{c.name} at {c.rate:.6g} Hz" for c in trial.cameras) or "none",
        gravity=" ".join(f"{g:g}" for g in trial.gravity),
    )
