"""Records of falling chains: read, judged, written."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from lashwave.mechanics import ENERGY, PLASTIC, fallen_at
from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.study import Record, Verdict, fit, judge, paired
from lashwave.workbench import models_io as io


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
    record: Record
    verdict: Verdict


def run(path: Path, chain: Hung) -> JudgedFall:
    """Read a record and judge it; raises InputError where it cannot be used."""
    from lashwave.files import Column, read_table

    if not path.is_file():
        raise InputError(path, "there is no such file", "name a CSV file with time and height")
    table = read_table(path, path.name, [Column("time", "time"), Column("height", "length")])
    order = np.argsort(table.numbers["time"], kind="stable")
    record = Record(table.numbers["time"][order], table.numbers["height"][order], **asdict(chain))
    drop = float(record.height.max() - record.height.min())
    if drop < 0.5 * chain.length:
        raise InputError(
            path.name, f"the free end falls by {drop:.3g} m of {chain.length:g} m",
            "give the record of more than half of the fall, or mend --length", field="height",
        )  # fmt: skip
    try:
        return JudgedFall(path.stem, record, judge(record))
    except ValueError as unfit:
        right = "give time and height of a chain's free end, at a higher rate where it is short"
        raise InputError(path.name, str(unfit), right) from None


def write(folder: Path, judged: list[JudgedFall]) -> None:
    """fall.csv, blocks.csv, and a figure of the first record."""
    from lashwave.report import figures_models

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
    for name, kept in (("energy kept", ENERGY), ("plastic", PLASTIC)):
        p = fit(record, kept).value
        curves[name] = p[1] - fallen_at(record.time - p[0], p[2], record.gravity, kept)
    io.save_figure(figures_models.fall(record.time, record.height, curves), folder / "fall")


def show(judged: list[JudgedFall], out: Path) -> None:
    """The verdict of each record, and of all together."""
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
        total, error = paired(np.concatenate([j.verdict.score for j in judged]))
        console.say(f"all records: energy-keeping less plastic {total:+.1f} +- {error:.1f}")
    console.say("reference: 0.8472 where all energy is kept, 1 for the plastic fold")
    console.say(f"written: {out}")
