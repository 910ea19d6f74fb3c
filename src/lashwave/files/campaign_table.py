"""The table of a campaign as Parquet: what pandas, polars and others read, with units."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from lashwave.quantities import InputError, UnitError, heading

if TYPE_CHECKING:
    import pandas as pd

TABLE = "campaign.parquet"


def parquet_bytes(table: pd.DataFrame) -> bytes:
    """A table whose headings are `name [unit]`; a column's unit is in its metadata too."""
    import pyarrow as pa
    from pyarrow import parquet

    whole = pa.Table.from_pandas(table, preserve_index=False)
    fields = []
    for one in whole.schema:
        unit = _unit(one.name)
        fields.append(one if unit is None else one.with_metadata({"unit": unit}))
    out = BytesIO()
    parquet.write_table(whole.cast(pa.schema(fields, whole.schema.metadata)), out)
    return out.getvalue()


def _unit(head: str) -> str | None:
    try:
        return heading(head)[1]
    except UnitError:  # a condition may be named as its user likes
        return None


def read_campaign_table(folder: Path) -> pd.DataFrame:
    """The table that a campaign wrote, a row a throw.

    Raises
    ------
    InputError : there is none, or it cannot be read.
    """
    import pandas as pd

    file = folder / TABLE
    try:
        return pd.read_parquet(file)
    except FileNotFoundError:
        raise InputError(file, "there is no such table", "run `lashwave campaign`") from None
    except Exception as problem:  # the reader raises many kinds for what is no table
        kind = type(problem).__name__
        raise InputError(file, f"cannot be read ({kind})", "run `lashwave campaign`") from None
