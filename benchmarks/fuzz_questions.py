"""More of what `make fuzz` damages: the files in which a user asks for a study, and its tables."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks import models
from benchmarks.fuzz_targets import Target, of_file, of_toml

PLAN = """question = "peak_tip_speed"
throw = 11
between = "5 %"
budget = 100
price_a_throw = 5
markers = { count = 9, sd = "0.3 mm", loss_speed = "80 m/s" }
view = [{ rate = "20 kHz", angle = "50 deg" }]
set_up = [
  { name = "plain", price = 20 },
  { name = "two views", price = 60, view = [{}, { angle = "50 deg" }], markers = { count = 12 } },
]
"""
DESIGN = """wanted = "300 m/s"
[limits]
length = { low = "1.8 m", high = "2.2 m" }
mass = "80 g"
diameters = ["2 mm", "4 mm", "7 mm"]
grip_force = "15 N"
energy = "20 J"
[hand]
amplitude = "20 cm"
time = { value = "60 ms", sd = "5 ms" }
[cord]
cord_density = "850 kg/m^3"
"""
THROW = """length = "2.1 m"
mass = { low = "40 g", high = "60 g" }
"""


def made(root: Path) -> None:
    """The files that are damaged."""
    import pandas as pd

    from lashwave.files import campaign_place, parquet_bytes
    from lashwave.study import design_law, groups, law_text, throw_family

    folder = root / "asked"
    folder.mkdir()
    for name, text in (("plan", PLAN), ("design", DESIGN), ("throw", THROW)):
        (folder / f"{name}.toml").write_text(text)
    inputs = throw_family.MIDDLE
    head, row = ",".join(f"{n} [x]" for n in inputs), ",".join(map(repr, inputs.values()))
    rows = "".join(f"{k},{row},{300 + k}.0,\n" for k in range(6))
    (folder / "measured.csv").write_text(f"throw,{head},peak_speed [m/s],bad\n{rows}")
    for name in ("t1", "t2"):
        (folder / name).mkdir()
        (folder / name / "trial.toml").write_text("schema = 1\n")
    (folder / "throws.csv").write_text(
        "trial,specimen,thrower,cold [degC],hand\nt1,lash A,arm 1,4.5,left\nt2,lash A,,,right\n"
    )
    time, height = models.by_quadrature(models.energy)
    noisy = height + 2e-3 * np.random.default_rng(1).standard_normal(time.size)
    lines = "".join(f"{t:.6f},{1e3 * h:.3f}\n" for t, h in zip(time, noisy, strict=True))
    (folder / "fall.csv").write_text("time [s],height [mm]\n" + lines)
    table = pd.DataFrame({"trial": ["t1", "t2"], "peak_tip_speed [m/s]": [300.0, np.nan]})
    (folder / "campaign.parquet").write_bytes(parquet_bytes(table))
    ranked = [{"folder": str(folder / "t1"), "answers": "t1/answers", "state": "done"}]
    (folder / campaign_place.RECORD).write_text(json.dumps({"schema": 1, "ranked": ranked}))
    campaign_place.note(folder, "begun", "t1")
    (folder / campaign_place.MARK).write_text(
        json.dumps({"key": "k", "state": "failed", "reason": "no motion", "earlier": ["a"]})
    )
    count = len(groups.NAMES)
    drawn = np.random.default_rng(0)
    part = design_law.Part(
        "peak_speed", 0.1, {groups.NAMES[0]: -0.5}, drawn.normal(size=(5, count)),
        drawn.normal(size=5), np.zeros(count + 2), (2.0, 2.5),
    )  # fmt: skip
    ones = np.ones(count)
    scores = pd.DataFrame({"error": [0.1]}, index=["peak_speed"])
    law = design_law.DesignLaw({"peak_speed": part}, ones, ones, -ones, ones, 5, scores)
    np.savez_compressed(folder / "law.npz", **law_text.to_arrays(law))


def targets(root: Path) -> list[Target]:
    """Every reader of these files."""
    from lashwave.files import campaign_place, read_campaign, read_campaign_table
    from lashwave.study import throw_family
    from lashwave.workbench import fall_command, law_command
    from lashwave.workbench.design_problem import read_problem
    from lashwave.workbench.plan_file import read_plan

    folder = root / "asked"

    def said(path: Path) -> object:
        import pandas as pd

        asked = pd.DataFrame([throw_family.MIDDLE])
        return law_command.read_law(path).predict(asked)

    def throw(path: Path) -> object:
        from lashwave.files import read_ranges

        return read_ranges(path, throw_family.DIMENSIONS)

    def fall(path: Path) -> object:
        chain = fall_command.Hung(1.0, 1e-3, 9.81, 0.0, float("inf"))
        return fall_command.run(path, chain)

    tables: tuple[tuple[str, Callable[[Path], Any]], ...] = (
        ("plan.toml", read_plan), ("design.toml", read_problem), ("throw.toml", throw),
    )  # fmt: skip
    found = []
    for file, read in tables:
        path = folder / file

        def act(read: Callable[[Path], Any] = read, path: Path = path) -> object:
            return read(path)

        found.append(of_file(path, act, text=True, share=0.5))
        found.append(of_toml(path, act, f"{file} of odd values", 0.5))
    files: tuple[tuple[str, Callable[[], object], bool], ...] = (
        ("measured.csv", lambda: law_command.measured_throws(folder / "measured.csv"), True),
        ("throws.csv", lambda: read_campaign(folder / "throws.csv"), True),
        ("campaign.parquet", lambda: read_campaign_table(folder), False),
        (campaign_place.RECORD, lambda: campaign_place.finished(folder), True),
        (campaign_place.LOG, lambda: campaign_place.read_log(folder), True),
        (campaign_place.MARK, lambda: campaign_place.read_mark(folder), True),
        ("law.npz", lambda: said(folder / "law.npz"), False),
    )
    found += [
        of_file(folder / name, act, text=text, share=0.4, name=f"asked {name}")
        for name, act, text in files
    ]
    found.append(of_file(folder / "fall.csv", lambda: fall(folder / "fall.csv"), text=True,
                         share=0.1))  # fmt: skip
    return found
