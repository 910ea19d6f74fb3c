"""`TRIAL.mends.toml` as text: comments and order of the file before are kept where they can be."""

from __future__ import annotations

from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT

from lashwave.files.mends import MEND_FIELDS

HEAD = "Mends made by hand; the inputs beside this file are never altered."


def mends_text(mends: list[dict[str, Any]], before: bytes = b"") -> bytes:
    """The text of a list of mends, in their order, fields as `FIELDS` lists them.

    Parameters
    ----------
    mends : each with `kind`, that kind's fields, perhaps `reason`; None is left out.
    before : the text of the file that is replaced: what stands above its first mend is kept,
        and each mend that did not change keeps its comments.
    """
    document, old = _before(before)
    document.pop("mend", None)
    if "schema" not in document:
        document.add(tomlkit.comment(HEAD))
        document.add("schema", tomlkit.item(1))
    tables: AoT = tomlkit.aot()
    for mend in mends:
        same = next((t for t in old if t.unwrap() == _clean(mend)), None)
        tables.append(same if same is not None else _table(mend))
    if mends:
        document.add("mend", tables)
    return tomlkit.dumps(document).encode()


def _before(text: bytes) -> tuple[tomlkit.TOMLDocument, list[Any]]:
    try:
        document = tomlkit.parse(text.decode("utf-8-sig"))
    except (TOMLKitError, UnicodeDecodeError):
        return tomlkit.document(), []
    tables = document.get("mend")
    return document, list(tables) if isinstance(tables, AoT) else []


def _clean(mend: dict[str, Any]) -> dict[str, Any]:
    order = ["kind", *MEND_FIELDS.get(mend.get("kind", ""), ()), "reason"]
    known = {key: mend[key] for key in order if mend.get(key) is not None}
    return known | {k: v for k, v in mend.items() if k not in known and v is not None}


def _table(mend: dict[str, Any]) -> Any:
    table = tomlkit.table()
    for key, value in _clean(mend).items():
        table.add(key, value)
    return table
