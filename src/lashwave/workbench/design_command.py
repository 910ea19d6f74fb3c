"""`lashwave design`: the taper, within limits, whose tip a hand makes fastest."""

from __future__ import annotations

import json as text
import math
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench.shared_options import DONE, Json, Processes, Quiet

if TYPE_CHECKING:
    import pandas as pd

    from lashwave.study.line_design import Problem

FILES = frozenset(
    {"design.json", "design.csv", "line.csv", "throws.csv", "design.html", "design.svg",
     "design.png"}
)  # fmt: skip


def design(
    problem: Annotated[Path, Parameter(name="PROBLEM", help="TOML file of limits, hand, cord.")],
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder to write; an earlier design is replaced.")],
    hand: Annotated[
        tuple[Path, ...],
        Parameter(
            help="Folders that `reconstruct` wrote: what this hand was seen to do.",
            show_default=False,
        ),
    ] = (),
    law: Annotated[
        Path | None, Parameter(help="Folder of a law, to hold the design against.")
    ] = None,
    throws: Annotated[int, Parameter(help="Of the search, at most.")] = 1400,
    seed: Annotated[int, Parameter(help="Of the search; any whole number above 0.")] = 1,
    processes: Processes = None,
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Find the taper within limits that gives the fastest tip, or a wanted speed, and the gesture.

    Sought by CMA-ES on the forward engine; the interval is that of cord and air that are not known.
    Writes line.csv, a table that a trial can use, throws.csv, design.json, design.csv and a page
    with pictures to --out. See docs/design.md.
    """
    from lashwave.files import folders
    from lashwave.workbench.design_problem import read_problem

    if throws < 24:
        raise InputError("--throws", f"{throws} are too few", "ask for 24 or more; 1400 is usual")
    if seed < 1:
        raise InputError("--seed", f"{seed} is not above 0", "give 1 or more")
    if processes is not None and processes < 1:
        raise InputError("--processes", f"{processes} is not a number of them", "give 1 or more")
    folders.check_new_folder(out, known=FILES, option="--out")
    asked = read_problem(problem, _seen(hand) if hand else None)
    with console.progress(quiet) as progress:
        found = _found(asked, throws, seed, processes, progress)
        record = _record(asked, found, law)
        _write(out, record, found)
    if json:
        console.say(text.dumps(record, indent=1))
    else:
        _show(record, out)
    return DONE


def _seen(folders: tuple[Path, ...]) -> dict[str, tuple[float, float]]:
    from lashwave.files import read_motion
    from lashwave.study import hands_seen

    return hands_seen.envelope([read_motion(folder) for folder in folders])


def _found(
    asked: Problem, most: int, seed: int, processes: int | None, progress: console.Progress
) -> dict[str, Any]:
    """The search, what is not known about its result, and a cone of the same mass beside it."""
    from lashwave.study import line_design

    with line_design.thrower(asked, processes) as throw:
        sought = line_design.sought(asked, throw, most, seed, lambda s, x: progress(s, 0.85 * x))
    progress("what is not known", 0.87)
    unknowns = line_design.drawn_throws(asked, sought.share, processes=processes)
    if not (unknowns["bad"] == "").any():
        raise InputError(
            "cord", "no throw of the best line, with cords and airs drawn from it, can be trusted",
            "narrow its ranges",
        )  # fmt: skip
    progress("a cone beside it", 0.94)
    cone, beside = line_design.cone_of(asked, sought.made), None
    if cone is not None:
        beside = line_design.line_throws(asked, cone, sought.made.throw, processes=processes)
    return {"sought": sought, "unknowns": unknowns, "cone": cone, "beside": beside}


def _record(asked: Problem, found: dict[str, Any], law: Path | None) -> dict[str, Any]:
    """Everything of design.json."""
    from lashwave.quantities import band
    from lashwave.study import one_throw, throw_family

    best, unknowns = found["sought"].best, found["unknowns"]
    good = unknowns[unknowns["bad"] == ""]
    outputs = {}
    for item in one_throw.OUTPUTS:
        low, middle, high = band(good[item.name].to_numpy(float))
        outputs[item.name] = {
            "value": float(best[item.name]), "low95": float(low), "median": float(middle),
            "high95": float(high), "unit": item.unit,
        }  # fmt: skip
    record = {
        "outputs": outputs,
        "inputs": {
            item.name: {"value": float(best[item.name]), "unit": item.unit}
            for item in throw_family.INPUTS
        },
        "chosen": list(asked.free), "sections": sorted(asked.stock.sections, reverse=True),
        "butt_diameter": float(best["butt_diameter"]), "tip_diameter": float(best["tip_diameter"]),
        "throws": len(found["sought"].rows), "not_trusted": int((unknowns["bad"] != "").sum()),
        "drawn": len(unknowns), "wanted": asked.wanted, "law": None, "beyond": _beyond(asked, good),
        "sound_speed": float(throw_family.air_of(best).sound_speed),
    }  # fmt: skip
    beside = found["beside"]
    if beside is not None:
        both = (unknowns["bad"] == "") & (beside["bad"] == "")
        faster = (unknowns["peak_speed"] > beside["peak_speed"])[both]
        if both.any():
            record["cone"] = {
                "peak_speed": float(beside.loc[beside["bad"] == "", "peak_speed"].median()),
                "chance_faster": float(faster.mean()),
            }
    if law is not None:
        record["law"] = _by_law(law, found["sought"].made.throw)
    return record


def _beyond(asked: Problem, good: pd.DataFrame) -> dict[str, float]:
    """Chance that a limit is passed, by cord and air that are not known."""
    if not math.isfinite(asked.force):
        return {}
    return {"grip_force": float((good["peak_force"] > asked.force).mean())}


def _by_law(folder: Path, throw: dict[str, float]) -> dict[str, Any]:
    import pandas as pd

    from lashwave.workbench.law_command import read_law

    said = read_law(folder / "law.npz").predict(pd.DataFrame([throw])).iloc[0]
    return {
        "peak_speed": float(said["peak_speed"]), "low95": float(said["peak_speed_low"]),
        "high95": float(said["peak_speed_high"]), "outside": str(said["outside"]),
    }  # fmt: skip


def _write(out: Path, record: dict[str, Any], found: dict[str, Any]) -> None:
    from tempfile import TemporaryDirectory

    from lashwave.files import write_files, write_line
    from lashwave.report import design_page, figure_file, figures_design, table_file

    sought, cone = found["sought"], found["cone"]
    rows, made = sought.rows, sought.made
    line = (made.line.station, made.line.diameter)
    drawn = figures_design.taper(line, line if cone is None else (cone.station, cone.diameter))
    good = (rows["bad"] == "").to_numpy()
    speed, kept = rows["peak_speed"].to_numpy(float), rows["kept"].to_numpy(bool)
    search = figures_design.search(speed, good, kept, record["wanted"])
    spreads = None
    if found["beside"] is not None:
        spreads = figures_design.spreads(
            *(t.loc[t["bad"] == "", "peak_speed"].to_numpy(float)
              for t in (found["unknowns"], found["beside"]))
        )  # fmt: skip
    with TemporaryDirectory() as place:
        write_line(Path(place) / "line.csv", made.line)
        table = (Path(place) / "line.csv").read_bytes()
    listed = StringIO()
    rows.to_csv(listed, index_label="throw")
    write_files(out, {
        "line.csv": table,
        "throws.csv": listed.getvalue().encode(),
        "design.json": (text.dumps(record, indent=1) + "\n").encode(),
        "design.csv": table_file(*design_page.table(record)),
        "design.svg": figure_file(drawn, "svg"),
        "design.png": figure_file(drawn, "png"),
        "design.html": design_page.page(record, drawn, search, spreads).encode(),
    })  # fmt: skip


def _show(record: dict[str, Any], out: Path) -> None:
    from lashwave.report import design_page

    headings, rows = design_page.table(record)
    console.table("The line and its throw", list(headings), [list(map(str, r)) for r in rows])
    for line in (*design_page.said(record), *design_page.CAUTIONS):
        console.say(line)
    console.say(f"written: {out}")
