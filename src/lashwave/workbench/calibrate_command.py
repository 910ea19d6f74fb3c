"""`lashwave calibrate`: cameras from a plan of what was measured."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from lashwave.pipeline import console
from lashwave.workbench.shared_options import DONE, Json, Quiet


def calibrate(
    plan: Annotated[Path, Parameter(name="PLAN", help="TOML file that says what was measured.")],
    /,
    *,
    out: Annotated[Path, Parameter(help="Calibration file to write; an earlier one is replaced.")],
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Calibrate a camera, or several by a wand, with the uncertainty of each.

    PLAN names images of a board, known points, a wand, a flat scale, markers seen by a fast
    camera, or one picture of a board that places a camera anew that was moved. Where several
    cameras are written, to OUT's name with -CAMERA added.
    """
    from lashwave.workbench import calibrate_run, calibrate_show

    with console.progress(quiet) as progress:
        result = calibrate_run.run(plan, out, progress)
    calibrate_show.outcome(result, as_json=json)
    return DONE
