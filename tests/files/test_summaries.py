"""A damaged summary is one line, and nothing of the library behind it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from lashwave.files.summaries import read_record
from lashwave.quantities.errors import InputError

GOOD = {"schema": 1, "trial": "t", "quantities": {"a": {"value": 1.0, "unit": "m"}}}
DAMAGED = {
    "empty": "",
    "nested": "[" * 100_000,
    "no object": "[]",
    "list of answers": json.dumps(GOOD | {"quantities": []}),
    "list of provenance": json.dumps(GOOD | {"provenance": []}),
    "count of warnings": json.dumps(GOOD | {"warnings": 5}),
    "numbers as warnings": json.dumps(GOOD | {"warnings": [5]}),
    "hashes are numbers": json.dumps(GOOD | {"provenance": {"inputs": {"a": 1}}}),
    "huge whole number": json.dumps(GOOD | {"quantities": {"a": {"value": 10**400}}}),
    "beyond use": json.dumps(GOOD | {"quantities": {"a": {"value": 1e308}}}),
    "text as value": json.dumps(GOOD | {"quantities": {"a": {"value": "1"}}}),
    "unit is a list": json.dumps(GOOD | {"quantities": {"a": {"value": 1.0, "unit": [1]}}}),
    "later schema": json.dumps(GOOD | {"schema": 2}),
}


@pytest.mark.parametrize("kind", DAMAGED)
def test_a_damaged_summary_is_refused_in_one_line(kind: str, tmp_path: Path) -> None:
    (tmp_path / "summary.json").write_text(DAMAGED[kind])
    with pytest.raises(InputError) as fault:
        read_record(tmp_path)
    assert "\n" not in str(fault.value) and len(str(fault.value)) < 400


def test_a_good_one_is_read(tmp_path: Path) -> None:
    (tmp_path / "summary.json").write_text(json.dumps(GOOD))
    assert read_record(tmp_path)["quantities"]["a"]["value"] == 1.0
