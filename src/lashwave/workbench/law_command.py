"""`lashwave law`: a design law from throws by the thousand, and what it says of one throw."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench.shared_options import Gpu, Processes, Quiet

if TYPE_CHECKING:
    import pandas as pd

    from lashwave import study

FILES = frozenset(
    {"throws.csv", "law.npz", "law.tex", "law.csv", "groups.csv", "law.svg", "law.png", "law.html"}
)
FEWEST = 100
"""Throws that the command asks for at least."""


def law(
    *,
    out: Annotated[Path, Parameter(help="Folder for throws and law; a stopped run goes on there.")],
    throws: Annotated[int, Parameter(help="How many to compute; 2000 take some minutes.")] = 2000,
    seed: Annotated[int, Parameter(help="Which throws; any whole number.")] = 0,
    processes: Processes = None,
    gpu: Gpu = False,
    ask: Annotated[
        Path | None, Parameter(help="TOML file of a throw: say what the law tells of it.")
    ] = None,
    measured: Annotated[
        Path | None,
        Parameter(help="CSV of measured throws (inputs and peak_speed) to lay over the figure."),
    ] = None,
    quiet: Quiet = False,
) -> int:
    """Fit a design law of the crack to throws by the thousand, or ask it about one throw.

    Computes throws by the forward engine, fits the law, and judges it on held-out lines and hands.
    Writes throws.csv, law.npz, law.tex, law.csv, groups.csv, a figure and a page to --out. With a
    law in --out already, --ask alone reads it. See docs/law.md for the family that it covers.
    """
    from lashwave.files import folders

    if throws < FEWEST:
        raise InputError("--throws", f"{throws} are too few", f"ask for {FEWEST} or more")
    if processes is not None and processes < 1:
        raise InputError("--processes", f"{processes} is not a number of them", "give 1 or more")
    folders.check_new_folder(out, known=FILES, option="--out")
    overlay = None if measured is None else measured_throws(measured)
    asked = None if ask is None else _throw(ask)
    if asked is None or not (out / "law.npz").exists():
        with console.progress(quiet) as progress:
            _build(out, throws, seed, processes, gpu, overlay, progress)
    if asked is not None:
        _answer(out, asked)
    return 0


def _throw(path: Path) -> pd.DataFrame:
    """One throw as a table; an input that is left out is in the middle of its range."""
    import pandas as pd

    from lashwave.files import read_ranges
    from lashwave.study import throw_family

    given = read_ranges(path, throw_family.DIMENSIONS)
    for name, (low, high) in given.items():
        if low != high:
            raise InputError(str(path), "has a range", "give one value", field=name)
    return pd.DataFrame([{**throw_family.MIDDLE, **{n: low for n, (low, _) in given.items()}}])


def measured_throws(path: Path) -> pd.DataFrame:
    """Measured throws as a table; inputs that it has no column for are in the middle.

    Raises
    ------
    InputError : no such file, no peak speeds, or a cell that is no number.
    """
    from lashwave.files import read_throws
    from lashwave.study import throw_family

    table = read_throws(path, numbers=("peak_speed", *throw_family.MIDDLE))
    if "peak_speed" not in table:
        raise InputError(str(path), "has no column `peak_speed [m/s]`", "add it")
    return table.assign(**{n: m for n, m in throw_family.MIDDLE.items() if n not in table})


def _build(
    out: Path, throws: int, seed: int, processes: int | None, gpu: bool,
    overlay: pd.DataFrame | None, progress: console.Progress,
) -> None:  # fmt: skip
    from lashwave.files import write_files
    from lashwave.report import figure_file, figures_study, law_page, table_file
    from lashwave.study import design_law, ensemble, groups, law_text, what_if
    from lashwave.workbench.throws_at_hand import computed

    table = computed(out / "throws.csv", ensemble.draw(throws, seed), processes, progress, gpu)
    progress("fitting the law", 0.99)
    found = design_law.fit_law(table)
    good = design_law.good_throws(table)
    said = found.predict(good)
    over = None if overlay is None else (
        found.predict(overlay)["peak_speed_equation"].to_numpy(), overlay["peak_speed"].to_numpy()
    )  # fmt: skip
    figure = figures_study.collapse(
        said["peak_speed_equation"].to_numpy(), good["peak_speed"].to_numpy(), over
    )
    progress("motions for the page", 0.99)
    engine = what_if.fitted(processes)
    moved = {"engine": None if engine is None else what_if.page_data(engine)}
    page = law_page.page(law_text.page_data(found, good) | moved, len(good))
    scores = found.scores
    ranges = [
        [g.name, g.formula, float(found.low[j]), float(found.high[j]), g.meaning]
        for j, g in enumerate(groups.GROUPS)
    ]
    write_files(
        out,
        {
            "law.npz": _packed(law_text.to_arrays(found)),
            "law.tex": law_text.document(found).encode(),
            "law.csv": table_file(
                ["output", *scores.columns],
                [
                    [name, *map(float, row)]
                    for name, row in zip(scores.index, scores.to_numpy(), strict=True)
                ],
            ),
            "groups.csv": table_file(["group", "formula", "low", "high", "meaning"], ranges),
            "law.svg": figure_file(figure, "svg"),
            "law.png": figure_file(figure, "png"),
            "law.html": page.encode(),
        },
        others=True,
    )
    _say(table, scores)
    console.say(f"written: {out}")


def _say(table: pd.DataFrame, scores: pd.DataFrame) -> None:
    """How many throws, and how well the law does."""
    bad = int((table["bad"] != "").sum())
    console.say(f"{len(table)} throws, {bad} of them not trusted; held-out lines and hands:")
    rows = [
        [
            name,
            f"{s.median_error:.3g}",
            f"{s.ninth_tenth_error:.3g}",
            f"{s.median_error_equation:.3g}",
        ]
        for name, s in scores.iterrows()
    ]
    console.table(
        "Error of the law (a share; of places m)",
        ["output", "median", "nine tenths under", "equation alone, median"], rows,
    )  # fmt: skip


def _packed(arrays: Mapping[str, Any]) -> bytes:
    from io import BytesIO

    import numpy as np

    file = BytesIO()
    np.savez_compressed(file, **arrays)
    return file.getvalue()


def read_law(path: Path) -> study.design_law.DesignLaw:
    """The law that `lashwave law` wrote.

    Raises
    ------
    InputError : there is none, or it cannot be read.
    """
    import numpy as np

    from lashwave.study import law_text

    try:
        with np.load(path, allow_pickle=False) as arrays:
            return law_text.from_arrays(dict(arrays))
    except FileNotFoundError:
        raise InputError(str(path), "there is no such file", "run `lashwave law` first") from None
    except Exception:  # a damaged archive raises many kinds, its header's fields others
        raise InputError(
            str(path), "is no law of this program", "run `lashwave law` anew"
        ) from None


def _answer(out: Path, throw: pd.DataFrame) -> None:
    from lashwave.study import one_throw

    found = read_law(out / "law.npz")
    said = found.predict(throw).iloc[0]
    rows = [
        [f"{item.name} [{item.unit}]", f"{said[item.name]:.4g}",
         f"{said[item.name + '_low']:.4g} to {said[item.name + '_high']:.4g}",
         f"{said[item.name + '_equation']:.4g}"]
        for item in one_throw.OUTPUTS if item.name in found.parts
    ]  # fmt: skip
    console.table("What the law says", ["output", "value", "95 %", "equation alone"], rows)
    if said["outside"]:
        console.say(f"caution: outside the range of validity: {said['outside']}")
