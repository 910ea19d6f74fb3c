"""`lashwave fall`: which fold a falling chain has."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from lashwave import files, mechanics, report, study
from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench import model_files as io
from lashwave.workbench.shared_options import DONE, Out

FILES = frozenset({"fall.csv", "blocks.csv", "fall.svg", "fall.png"})


@dataclass(frozen=True)
class Hung:
    """The chain as it hung, in SI; fields as those of `Record`."""

    length: float
    length_sd: float
    gravity: float
    gap: float
    links: float


@dataclass(frozen=True)
class JudgedFall:
    """One record and what it says."""

    name: str
    record: study.Record
    verdict: study.Verdict


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
    if not (0.01 <= length <= 1e3 and 0 < length_sd < length and 0.1 <= gravity <= 100):
        raise InputError(
            "--length", f"{length:g} +- {length_sd:g} m under {gravity:g} m/s2",
            "write plain numbers in SI, each above 0",
        )  # fmt: skip
    if not 0 <= gap <= 0.2 * length:
        raise InputError(
            "--gap", f"{gap:g} m", "write the arms' distance, a fifth of --length at most"
        )
    folders.check_new_folder(out, known=FILES, option="--out", inputs=records)
    if links is not None and links < 10:
        raise InputError("--links", f"{links} links", "the law is of chains of many: 10 or more")
    chain = Hung(length, length_sd, gravity, gap, links or float("inf"))
    judged = [run(path, chain) for path in records]
    files.replace_folder(out, lambda folder: write(folder, judged))
    show(judged, out)
    return DONE


def run(path: Path, chain: Hung) -> JudgedFall:
    """Read a record and judge it; raises InputError where it cannot be used."""
    import numpy as np

    if not path.is_file():
        raise InputError(path, "there is no such file", "name a CSV file with time and height")
    table = files.read_table(
        path, path.name, [files.Column("time", "time"), files.Column("height", "length")]
    )
    order = np.argsort(table.numbers["time"], kind="stable")
    record = study.Record(
        table.numbers["time"][order], table.numbers["height"][order], **asdict(chain)
    )
    drop = float(record.height.max() - record.height.min())
    if drop < 0.5 * chain.length:
        raise InputError(
            path.name, f"the free end falls by {drop:.3g} m of {chain.length:g} m",
            "give the record of more than half of the fall, or mend --length", field="height",
        )  # fmt: skip
    try:
        return JudgedFall(path.stem, record, study.judge(record))
    except ValueError as unfit:
        right = "give time and height of a chain's free end, at a higher rate where it is short"
        raise InputError(path.name, str(unfit), right) from None


def write(folder: Path, judged: list[JudgedFall]) -> None:
    """fall.csv, blocks.csv, and a figure of the first record."""
    rows = []
    for j in judged:
        v = j.verdict
        rows.append((j.name, *v.kept, *v.ratio, *v.ratio95, v.noise, *v.difference))
    io.save_csv(
        folder / "fall.csv",
        ["record", "share_kept", "share_kept_sd", "time_ratio", "time_ratio_sd", "low95",
         "high95", "noise [m]", "log_score_energy_less_plastic", "standard_error"],
        rows,
    )  # fmt: skip
    io.save_csv(
        folder / "blocks.csv",
        ["record", "block", "log_score_energy_less_plastic"],
        ((j.name, b, s) for j in judged for b, s in enumerate(j.verdict.score)),
    )
    record = judged[0].record.used()
    curves = {}
    for name, kept in (("energy kept", mechanics.ENERGY), ("plastic", mechanics.PLASTIC)):
        p = study.fit(record, kept).value
        curves[name] = p[1] - mechanics.fallen_at(record.time - p[0], p[2], record.gravity, kept)
    io.save_figure(report.figures_study.fall(record.time, record.height, curves), folder / "fall")


def show(judged: list[JudgedFall], out: Path) -> None:
    """The verdict of each record, and of all together."""
    import numpy as np

    rows = []
    for j in judged:
        v = j.verdict
        low, high = v.ratio95
        rows.append([
            j.name, f"{v.kept[0]:.3f} +- {v.kept[1]:.3f}", f"{v.ratio[0]:.4f}",
            f"{low:.4f} to {high:.4f}", f"{1e3 * v.noise:.2f}",
        ])  # fmt: skip
    console.table(
        "fold of a falling chain",
        ["record", "energy kept", "fall / free fall", "95 %", "noise [mm]"], rows,
    )  # fmt: skip
    for j in judged:
        console.say(f"{j.name}: {j.verdict.sentence()}")
    if len(judged) > 1:
        total, error = study.paired(np.concatenate([j.verdict.score for j in judged]))
        console.say(f"all records: energy-keeping less plastic {total:+.1f} +- {error:.1f}")
    console.say("reference: 0.8472 where all energy is kept, 1 for the plastic fold")
    console.say(f"written: {out}")
