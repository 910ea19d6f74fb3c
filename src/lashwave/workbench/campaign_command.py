"""`lashwave campaign`: hundreds of throws checked, reconstructed, compared and summed up."""

from __future__ import annotations

import json as to_json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from lashwave import files
from lashwave.files import folders
from lashwave.pipeline import console
from lashwave.quantities import InputError
from lashwave.workbench.shared_options import DONE, Json, Quiet, flag

if TYPE_CHECKING:
    import pandas as pd

    from lashwave.workbench.campaign_run import How

FILES = frozenset({
    "throws", "log.jsonl", "stamps.json", "lock", "campaign.csv", "campaign.parquet",
    "campaign.json", "campaign.html", "comparison.csv", "spread.csv", "comparison.json",
    "shared.json", "shared.csv", "shared-answers.csv", "second",
})  # fmt: skip
SECOND = "second"
"""Folder in --out of the throws that were reconstructed with what the others say."""
SHOWN = 10
"""Doubtful throws that are printed."""


def campaign(
    source: Annotated[
        Path,
        Parameter(name="SOURCE", help="Folder of trial folders, or CSV table with column trial."),
    ],
    /,
    *,
    out: Annotated[Path, Parameter(help="Folder for the answers; a stopped run goes on there.")],
    workers: Annotated[
        int | None, Parameter(help="Processes at once; default one for each core.")
    ] = None,
    scheduler: Annotated[
        str | None, Parameter(help="Address of a Dask scheduler whose workers do the throws.")
    ] = None,
    again: Annotated[bool, flag("Try failed throws once more.")] = False,
    second: Annotated[
        bool, flag("Reconstruct each throw anew with what the others say of its line.")
    ] = False,
    json: Json = False,
    quiet: Quiet = False,
) -> int:
    """Reconstruct many throws and sum them up: table, comparison, and which ones to look at.

    A run that was stopped or killed goes on where it was; each throw is done once. A throw that
    fails is kept with its reason and does not stop the others. See docs/campaign.md.
    """
    from lashwave.workbench.campaign_run import How

    with console.progress(quiet) as show:
        how = How(workers, scheduler, again)
        record = carried_out(source, out, how, show)
        if second:
            record = second_pass(source, out, how, show)
            out = out / SECOND
    if json:
        console.say(to_json.dumps(record, indent=1, allow_nan=False))
    else:
        _print(record, out)
    return DONE


def carried_out(
    source: Path, out: Path, how: How, show: console.Progress = console.silent
) -> dict[str, Any]:
    """Run a campaign and write its sum; the content of campaign.json.

    Raises
    ------
    InputError : no such trials, or `out` may not be written.
    """
    from lashwave.workbench import campaign_files as written
    from lashwave.workbench.campaign_run import Campaign

    if how.workers is not None and how.workers < 1:
        raise InputError("--workers", f"{how.workers} is not a number of them", "give 1 or more")
    listed = files.read_campaign(source)
    for one in listed:
        folders.check_apart(out, one.folder)
    folders.check_new_folder(out, known=FILES, option="--out")
    run = Campaign(listed, out, how, lambda throws: written.write_table(out, throws))
    throws = run.run(show)
    show("summing up", 1.0)
    return written.write_all(out, throws, {one.name: one.folder for one in listed})


def second_pass(
    source: Path, out: Path, how: How, show: console.Progress = console.silent
) -> dict[str, Any]:
    """Reconstruct each throw of a finished campaign with what all others say of its parameters.

    Goes to a folder of its own within `out`, with the same files but for what throws share, which
    is in every answer there; the content of its campaign.json.
    """
    from dataclasses import replace

    from lashwave.workbench import campaign_files as written, campaign_learn
    from lashwave.workbench.campaign_run import Campaign

    listed, place = files.read_campaign(source), out / SECOND
    known = campaign_learn.known_to(Campaign(listed, out, how, lambda throws: None).standing())
    again = replace(how, known=known)
    run = Campaign(listed, place, again, lambda throws: written.write_table(place, throws))
    folders_of = {one.name: one.folder for one in listed}
    return written.write_all(place, run.run(show), folders_of, second=True)


def table(source: Path, out: Path, **how: Any) -> pd.DataFrame:
    """Run a campaign and give its table, a row a throw; `how` as of `How`."""
    from lashwave.workbench.campaign_run import How

    carried_out(source, out, How(**how))
    return files.read_campaign_table(out)


def _print(record: dict[str, Any], out: Path) -> None:
    left = record["throws"] - record["done"] - record["failed"]
    console.say(f"{record['throws']} throws: {record['done']} done, {record['failed']} failed"
                + (f", {left} waiting" if left else ""))  # fmt: skip
    look = [one for one in record["ranked"]
            if one["state"] == "failed" or (one["concern"] or 0.0) >= 1.0]  # fmt: skip
    if look:
        rows = [
            [one["trial"], one["state"], "" if one["concern"] is None else f"{one['concern']:.2f}",
             one["because"]]
            for one in look[:SHOWN]
        ]  # fmt: skip
        console.table(f"Look at these first ({len(look)} in all)",
                      ["trial", "state", "concern", "because"], rows)  # fmt: skip
    console.say(f"Campaign: {out / 'campaign.html'}, {out / 'campaign.parquet'}")
