"""What a campaign writes beside its throws: the table, the comparison, the page."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashwave import __version__
from lashwave.files import campaign_place as at, parquet_bytes, replace_file
from lashwave.study import CampaignThrow, concerns_of, ranked, table_of

if TYPE_CHECKING:
    import pandas as pd

SCHEMA = 1


def table(throws: Sequence[CampaignThrow]) -> pd.DataFrame:
    """The table of a campaign, a row a throw; its headings state units."""
    return table_of(throws, concerns_of(throws))


def write_table(out: Path, throws: Sequence[CampaignThrow]) -> None:
    """campaign.csv and campaign.parquet as the throws stand now, each whole or not at all."""
    _write(out, table_files(table(throws)))


def _write(out: Path, files: Mapping[str, bytes]) -> None:
    """Each file whole or not at all, where readers and a killed run may be about."""
    for name, content in files.items():
        replace_file(out / name, partial(Path.write_bytes, data=content))


def table_files(found: pd.DataFrame) -> dict[str, bytes]:
    """A table as CSV and as Parquet."""
    from lashwave.report import table_file

    plain = found.astype(object).where(found.notna(), None)
    return {
        "campaign.csv": table_file(list(found.columns), plain.itertuples(index=False)),
        "campaign.parquet": parquet_bytes(found),
    }


def record_of(throws: Sequence[CampaignThrow], folders: Mapping[str, Path]) -> dict[str, Any]:
    """The content of campaign.json: how the throws stand, the most doubtful first.

    folders : of each trial, by its name.
    """
    concerns = concerns_of(throws)
    states = [t.state for t in throws]
    return {
        "schema": SCHEMA,
        "program_version": __version__,
        "throws": len(throws),
        "done": states.count("done"),
        "failed": states.count("failed"),
        "ranked": [
            {
                "trial": throws[i].trial,
                "specimen": throws[i].specimen,
                "thrower": throws[i].thrower,
                "state": throws[i].state,
                "concern": concerns[i][0] if concerns[i][0] < float("inf") else None,
                "because": concerns[i][1],
                "folder": str(folders[throws[i].trial].resolve()),
                "answers": f"{at.THROWS}/{throws[i].trial}/{at.ANSWERS}"
                if throws[i].state == "done"
                else None,
            }
            for i in ranked(concerns)
        ],
    }


def write_all(
    out: Path,
    throws: Sequence[CampaignThrow],
    folders: Mapping[str, Path],
    *,
    second: bool = False,
) -> dict[str, Any]:
    """Every file of the sum of a campaign, each whole; the content of campaign.json.

    second : the fits know already what all others say; put together they would count it twice.
    """
    from lashwave.report import campaign_page
    from lashwave.study import compared
    from lashwave.workbench import campaign_learn, compare_command as compare

    record = record_of(throws, folders)
    outcomes = [t.outcome for t in throws if t.state == "done"]
    files: dict[str, bytes] = {}
    spread = None
    if outcomes:
        rows = compared(outcomes)
        spread = compare.record_of(outcomes, rows, compare.notes_of(outcomes))
        compared_files = compare.files_of(outcomes, rows, spread)
        files |= {n: compared_files[n] for n in ("comparison.csv", "spread.csv", "comparison.json")}
    sharing, shared = ({}, {}) if second else campaign_learn.files_of(throws)
    files |= sharing | table_files(table(throws))
    files["campaign.json"] = (json.dumps(record, indent=1, allow_nan=False) + "\n").encode()
    files["campaign.html"] = campaign_page.page(record, spread, shared).encode()
    _write(out, files)
    return record
