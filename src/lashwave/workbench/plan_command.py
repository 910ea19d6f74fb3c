"""`lashwave plan`: what a set-up would resolve, what a budget buys, which throw comes next."""

from __future__ import annotations

import hashlib
import json as text
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from lashwave import __version__
from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench.shared_options import DONE, Json, Quiet

if TYPE_CHECKING:
    from lashwave.quantities import BenchPlan
    from lashwave.study.plan import NextThrow
    from lashwave.twin import Planned
    from lashwave.workbench.plan_file import PlanAsked

FILES = frozenset({"plan.json", "plan.csv", "plan.html", "foretold.json"})


def plan(
    wanted: Annotated[Path, Parameter(name="PLAN", help="TOML file of a question and set-ups.")],
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder to write; a stopped plan goes on there.")],
    campaign: Annotated[
        Path | None,
        Parameter(help="What `campaign` wrote of two lines: say which to throw next."),
    ] = None,
    check: Annotated[
        int, Parameter(help="Records of the best set-up to simulate and reconstruct; minutes each.")
    ] = 0,
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Foretell how well a set-up would know each answer, and what a budget buys.

    Some half a minute a set-up. Says the smallest difference between two lines that so many throws
    would show, and with --campaign which line to throw next. Writes plan.json, plan.csv and a page
    to --out. See docs/plan.md.
    """
    from lashwave.files import folders
    from lashwave.workbench.plan_file import read_plan

    if not 0 <= check <= 100:
        raise InputError("--check", f"{check} records", "ask for 0 to 100")
    folders.check_new_folder(out, known=FILES, option="--out")
    asked = read_plan(wanted)
    coming = None if campaign is None else _next(campaign, asked.question)
    with console.progress(quiet) as progress:
        throw = _throw(asked, progress)
        found = _foretold(asked, throw, out, progress)
        record = _record(asked, found, coming)
        if check:
            record["checked"] = _checked(asked, throw, record["offers"][0]["name"], check, progress)
        _write(out, record)
    if json:
        console.say(text.dumps(record, indent=1, allow_nan=False))
    else:
        _show(record, out)
    return DONE


def _throw(asked: PlanAsked, progress: console.Progress) -> Planned:
    """The expected throw, simulated or as it was found."""
    from lashwave import twin

    progress("expected throw", 0.02)
    if isinstance(asked.throw, int):
        return twin.expected(asked.throw, asked.set_ups[0].markers)
    from lashwave.files import read_motion, read_trial

    trial = read_trial(asked.throw[0])
    return twin.as_found(read_motion(asked.throw[1]), trial.line, trial.air)


def _foretold(
    asked: PlanAsked, throw: Planned, out: Path, progress: console.Progress
) -> dict[str, dict[str, Any]]:
    """Answers by set-up; those that --out holds already are not asked for again."""
    from lashwave import twin
    from lashwave.files import write_files
    from lashwave.study import plan as planning

    kept = out / "foretold.json"
    known: dict[str, Any] = {}
    if kept.is_file():
        with suppress(ValueError):  # a damaged one is foretold anew
            read = text.loads(kept.read_bytes())
            known = read if isinstance(read, dict) else {}
    for number, one in enumerate(asked.set_ups):
        key = _key(asked, one)
        if key in known:
            continue
        done = 0.1 + 0.85 * number / len(asked.set_ups)
        progress(f"set-up {number + 1} of {len(asked.set_ups)}", done)
        trial = twin.watched(throw, one, None, asked.span)
        answers = planning.foretold(trial, throw.places)
        known[key] = {n: {"value": a.value, "sd": a.sd, "unit": a.unit} for n, a in answers.items()}
        write_files(out, {"foretold.json": text.dumps(known).encode()}, others=True)
    return {one.name: known[_key(asked, one)] for one in asked.set_ups}


def _key(asked: PlanAsked, one: BenchPlan) -> str:
    # the first set-up's markers hang on the line of a throw of the bench
    words = repr(
        (__version__, asked.throw, asked.set_ups[0].markers, asked.span, one.markers, one.views)
    )
    return hashlib.sha256(words.encode()).hexdigest()[:16]


def _record(
    asked: PlanAsked, found: dict[str, dict[str, Any]], coming: NextThrow | None
) -> dict[str, Any]:
    """Everything of plan.json."""
    from dataclasses import asdict

    from lashwave.study import plan as planning

    answers = {name: said[asked.question] for name, said in found.items() if asked.question in said}
    if not answers:
        raise InputError(
            "question", f"no set-up would answer {asked.question}", "ask another, or see more of it"
        )
    first = next(iter(answers.values()))
    between = asked.between * abs(first["value"])
    prices = {one.name: one.price for one in asked.set_ups}
    sds = {name: said["sd"] for name, said in answers.items()}
    budget = max(prices.values()) if asked.budget is None else asked.budget
    offers = planning.offers(sds, prices, budget, asked.a_throw, between)
    if not offers:
        raise InputError("budget", f"{budget:g} pays for no set-up and throw", "raise it")
    spread = offers[0].spread
    return {
        "question": asked.question, "unit": first["unit"], "value": first["value"],
        "between": between, "budget": asked.budget, "foretold": found,
        "offers": [asdict(offer) for offer in offers],
        "differences": {
            str(n): planning.smallest_effect(n) * spread for n in (3, 5, 10, 20, 50)
        },
        "throws_needed": {
            f"{share:.0%}": planning.throws_needed(share * abs(first["value"]) / spread)
            for share in (0.01, 0.02, 0.05, 0.1)
        },
        "next": None if coming is None else asdict(coming),
    }  # fmt: skip


def _next(campaign: Path, question: str) -> NextThrow:
    """Which of two lines (specimens) to throw next, by the table that a campaign wrote."""
    from lashwave.files import read_campaign_table
    from lashwave.study import plan as planning

    table = read_campaign_table(campaign)
    value, sd = (
        next((head for head in table if head.split(" [")[0] == name), None)
        for name in (question, f"{question}_sd")
    )
    if value is None or sd is None:
        raise InputError(
            campaign, f"no throw of it answers {question}", "ask another question, or add throws"
        )
    lines = dict(iter(table.dropna(subset=["specimen", value, sd]).groupby("specimen")))
    return planning.next_throw(
        {str(name): part[value].tolist() for name, part in lines.items()},
        {str(name): part[sd].tolist() for name, part in lines.items()},
    )


def _checked(
    asked: PlanAsked, throw: Planned, name: str, count: int, progress: console.Progress
) -> dict[str, Any]:
    """Records of a set-up simulated and reconstructed: the sds that they state."""
    import numpy as np

    from lashwave import twin
    from lashwave.pipeline import reconstruct_trial

    one = next(one for one in asked.set_ups if one.name == name)
    said, values = [], []
    for k in range(count):
        progress(f"record {k + 1} of {count}", 0.95 + 0.05 * k / count)
        _, answers, _ = reconstruct_trial(twin.watched(throw, one, k + 1, asked.span))
        answer = answers[asked.question]
        if answer.value is not None and answer.sd is not None:
            said.append(answer.sd)
            values.append(answer.value)
    if not said:
        return {"set_up": name, "records": 0}
    scatter = float(np.std(values, ddof=1)) if len(values) > 1 else None
    return {
        "set_up": name, "records": len(said), "stated_sd": float(np.median(said)),
        "scatter": scatter, "mean": float(np.mean(values)),
    }  # fmt: skip


def _write(out: Path, record: dict[str, Any]) -> None:
    import numpy as np

    from lashwave.files import write_files
    from lashwave.report import figures_design, plan_page, table_file
    from lashwave.study import plan as planning

    said = record["foretold"]
    first = next(iter(said.values()))
    shared = [name for name in first if all(name in one for one in said.values())]
    sds = {name: [one[name]["sd"] for one in said.values()] for name in shared}
    resolved = figures_design.resolved(list(said), sds)
    counts = np.unique(np.round(np.geomspace(2, 200, 40)).astype(int))
    effect = np.array([planning.smallest_effect(int(n)) for n in counts])
    powers = figures_design.powers(
        counts.astype(float), effect * record["offers"][0]["spread"], record["unit"]
    )
    write_files(out, {
        "plan.json": (text.dumps(record, indent=1, allow_nan=False) + "\n").encode(),
        "plan.csv": table_file(*plan_page.foretold(record)),
        "plan.html": plan_page.page(record, resolved, powers).encode(),
    }, others=True)  # fmt: skip


def _show(record: dict[str, Any], out: Path) -> None:
    from lashwave.report import plan_page

    console.table("Standard deviations foretold", *plan_page.foretold(record))
    console.table(f"What the budget buys: {record['question']}", *plan_page.offers(record))
    for line in plan_page.said(record):
        console.say(line)
    console.say(f"written: {out}")
