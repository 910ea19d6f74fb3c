"""`lashwave sensitivity`: which input of a throw moves what."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench.shared_options import Gpu, Processes, Quiet, flag

if TYPE_CHECKING:
    import pandas as pd

    from lashwave import study

FILES = frozenset({
    "throws.csv", "slopes-throws.csv", "indices.csv", "slopes.csv", "ranges.csv",
    "sensitivity.html",
})  # fmt: skip
DRAWN = 6
"""Inputs of an output that are drawn, those that move it most."""


def sensitivity(
    ranges: Annotated[
        Path | None,
        Parameter(name="RANGES", help="TOML file of ranges; none: the whole family's."),
    ] = None,
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder for the answers; a stopped run goes on there.")],
    base: Annotated[
        int, Parameter(help="Power of two; throws are base times inputs and two.")
    ] = 64,
    together: Annotated[bool, flag("Judge line, hand and air each as one.")] = False,
    processes: Processes = None,
    gpu: Gpu = False,
    quiet: Quiet = False,
) -> int:
    """Say which input of line, hand and air moves peak speed, crack time and grip force.

    Sobol' indices with 95 % intervals over the ranges, and slopes at their middle, from throws of
    the forward engine. An input that RANGES does not name stays in the middle of its range.
    Writes throws.csv, indices.csv, slopes.csv and a page to --out.
    """
    from lashwave.files import folders, read_ranges, write_files
    from lashwave.report import table_file
    from lashwave.study import sobol, throw_family
    from lashwave.workbench.throws_at_hand import computed

    if processes is not None and processes < 1:
        raise InputError("--processes", f"{processes} is not a number of them", "give 1 or more")
    folders.check_new_folder(out, known=FILES, option="--out")
    spread_of = {item.name: (item.low, item.high) for item in throw_family.INPUTS}
    if ranges is not None:
        given = read_ranges(ranges, throw_family.DIMENSIONS)
        spread_of = {n: given.get(n, (m, m)) for n, m in throw_family.MIDDLE.items()}
    whose = {item.name: item.whose for item in throw_family.INPUTS}
    spread = sobol.InputSpread.of(spread_of, whose if together else None)
    inputs = sobol.points(spread, base)
    _check_same(out, spread_of, base, together)
    with console.progress(quiet) as progress:
        table = computed(out / "throws.csv", inputs, processes, progress, gpu)
        around = sobol.slope_points(spread)
        near = computed(out / "slopes-throws.csv", around, processes, progress, gpu)
    index, slope = _judged(spread, table, near)
    write_files(
        out,
        {
            "indices.csv": table_file(
                list(index.columns), index.astype(object).to_numpy().tolist()
            ),
            "slopes.csv": table_file(list(slope.columns), slope.astype(object).to_numpy().tolist()),
            "sensitivity.html": _page(index, slope, spread_of, table).encode(),
        },
        others=True,
    )
    _show(index, out)
    for caution in _cautions(index, table):
        console.say(f"caution: {caution}")
    return 0


def _check_same(
    out: Path, ranges: Mapping[str, tuple[float, float]], base: int, together: bool
) -> None:
    """Throws of other ranges must not be taken for these: ranges.csv says what --out holds."""
    from lashwave.files import write_files
    from lashwave.report import table_file

    lines = [[name, low, high] for name, (low, high) in ranges.items()]
    text = table_file(["input", "low", "high"], [*lines, ["base", base, int(together)]])
    path = out / "ranges.csv"
    if path.exists() and path.read_bytes() != text:
        raise InputError("--out", f"{out} holds throws of other ranges", "name another folder")
    write_files(out, {"ranges.csv": text}, others=True)


def _judged(
    spread: study.sobol.InputSpread, table: pd.DataFrame, near: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Indices and slopes of all outputs, as two tables."""
    import pandas as pd

    from lashwave.study import one_throw, sobol

    parts, lines = [], []
    for item in one_throw.OUTPUTS:
        value = table[item.name].where(table["bad"] == "").to_numpy(float)
        found = sobol.indices(spread, value)
        found.insert(0, "output", item.name)
        parts.append(found)
        slope = sobol.slopes(spread, near[item.name].where(near["bad"] == "").to_numpy(float))
        slope.insert(0, "output", item.name)
        lines.append(slope)
    return pd.concat(parts, ignore_index=True), pd.concat(lines, ignore_index=True)


def _show(index: pd.DataFrame, out: Path) -> None:
    rows = []
    for name, part in index.groupby("output", sort=False):
        for k, row in enumerate(part.head(4).itertuples()):
            rows.append([
                str(name) if k == 0 else "", row.input,
                f"{row.first:.2f} ± {row.first_half:.2f}",
                f"{row.total:.2f} ± {row.total_half:.2f}",
            ])  # fmt: skip
    title = "Share of an output's variance: of an input alone, and with all others"
    console.table(title, ["output", "input", "alone", "total"], rows)
    console.say(f"written: {out}")


WIDE = 0.1
"""Half width of an interval of a share from which it is too wide to rank inputs by."""


def _cautions(index: pd.DataFrame, table: pd.DataFrame) -> list[str]:
    """What makes the shares less sure than they look."""
    found = []
    wide = float(index[["first_half", "total_half"]].max(axis=None))
    bad = int((table["bad"] != "").sum())
    if wide > WIDE:
        found.append(f"intervals as wide as ±{wide:.2f}; four times the --base halves them")
    if bad:
        found.append(f"{bad} of {len(table)} throws cannot be trusted; the points that belong with "
                     "them are left out")  # fmt: skip
    return found


def _page(
    index: pd.DataFrame, slope: pd.DataFrame, ranges: Mapping[str, tuple[float, float]],
    table: pd.DataFrame,
) -> str:  # fmt: skip
    """The page, in the units of inputs and outputs."""
    from lashwave.report import figures_design, sensitivity_page as page
    from lashwave.study import one_throw, throw_family

    inputs = {item.name: item for item in throw_family.INPUTS}
    units = {item.name: item.unit for item in one_throw.OUTPUTS}
    columns = ["input", "first", "first_half", "total", "total_half"]
    outputs = []
    for item in one_throw.OUTPUTS:
        rows = index[index["output"] == item.name][columns].itertuples(index=False, name=None)
        outputs.append(page.Shares(item.name, item.unit, item.meaning, list(rows)))
    slopes = [
        page.Slope(row.output, row.input, row.slope,
                   _over(units[row.output], inputs[row.input].unit), row.over_half_range)
        for row in slope.itertuples()
    ]  # fmt: skip
    spread = [
        [name, inputs[name].unit, low, high, inputs[name].meaning]
        for name, (low, high) in ranges.items() if high > low
    ]  # fmt: skip
    figure = figures_design.shares({one.output: one.rows[:DRAWN] for one in outputs})
    return page.page(outputs, slopes, spread, figure, throws=len(table),
                     cautions=_cautions(index, table))  # fmt: skip


def _over(unit: str, of: str) -> str:
    """A unit over another, both as the tables have them."""
    if of == "1":
        return unit
    return f"{unit} / ({of})" if "/" in of else f"{unit} / {of}"
