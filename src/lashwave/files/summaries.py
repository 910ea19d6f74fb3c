"""Back from `summary.json`: the answers of a trial, and which trial they belong to."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lashwave.quantities import Answer, InputError

SCHEMA = 1
AGAIN = "reconstruct again"
LARGEST = 64 << 20
"""No summary is larger [bytes]."""
HUGE = 1e30
"""No answer in SI is larger."""
NUMBERS = ("value", "sd", "low95", "high95", "probability")


@dataclass(frozen=True)
class Summary:
    """What a summary says."""

    trial: str
    specimen: str | None
    thrower: str | None
    answers: dict[str, Answer]
    inputs: dict[str, str]
    """SHA-256 of the trial's files, empty where it was not kept."""
    warnings: tuple[str, ...]


def read_record(folder: Path) -> dict[str, Any]:
    """The checked object of a summary: what is in it has the type that the contract states.

    Raises
    ------
    InputError
        Where there is no summary, or it is not as `docs/trial-folder.md` has it.
    """
    file = folder / "summary.json"
    try:
        if file.stat().st_size > LARGEST:
            raise InputError(file, f"is over {LARGEST >> 20} MB", AGAIN)
        record = json.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(
            folder, "holds neither trial.toml nor summary.json", "name a trial or its answers"
        ) from None
    except (OSError, ValueError, RecursionError) as problem:
        raise InputError(file, f"cannot be read ({type(problem).__name__})", AGAIN) from None
    quantities = _table(file, record, "quantities")
    if quantities is None:
        raise InputError(file, "holds no answers", AGAIN, field="quantities")
    schema = record.get("schema")
    if schema != SCHEMA or isinstance(schema, bool):
        shown = repr(schema)[:40]
        raise InputError(file, f"is of schema {shown}", f"{SCHEMA} is read here", field="schema")
    for name, answer in quantities.items():
        _check_answer(file, name, answer)
    warnings = record.get("warnings", [])
    if not isinstance(warnings, list) or any(not isinstance(w, str) for w in warnings):
        raise InputError(file, "is no list of sentences", AGAIN, field="warnings")
    if not isinstance(record.get("trial", ""), str):
        raise InputError(file, "is no name", AGAIN, field="trial")
    kept = _table(file, record, "provenance") or {}
    inputs = _table(file, kept, "inputs") or {}
    if any(not isinstance(v, str) for v in inputs.values()):
        raise InputError(file, "is no table of hashes", AGAIN, field="provenance.inputs")
    whole = {"warnings": warnings, "provenance": {**kept, "inputs": inputs}}
    return {"trial": folder.name, **record, **whole}


def read_summary(folder: Path) -> Summary:
    """The summary in a folder of answers; raises as `read_record`."""
    record = read_record(folder)
    kept = record["provenance"]
    return Summary(
        record["trial"],
        _text(kept.get("specimen")),
        _text(kept.get("thrower")),
        {name: _answer(one) for name, one in record["quantities"].items()},
        kept["inputs"],
        tuple(record["warnings"]),
    )


def _table(file: Path, record: Any, key: str) -> dict[str, Any] | None:
    if not isinstance(record, dict):
        raise InputError(file, "is no JSON object", AGAIN, field=key)
    table = record.get(key)
    if table is not None and not isinstance(table, dict):
        raise InputError(file, "is no table", AGAIN, field=key)
    return table


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) and value else None


def _check_answer(file: Path, name: str, record: Any) -> None:
    def fault(problem: str) -> InputError:
        return InputError(file, problem, AGAIN, field=name[:80])

    if not isinstance(record, dict) or "value" not in record:
        raise fault("has no value")
    for key in NUMBERS:
        value = record.get(key)
        plain = isinstance(value, int | float) and not isinstance(value, bool)
        if value is not None and not (plain and -HUGE < value < HUGE):
            raise fault(f"{key} is {repr(value)[:40]}, not a finite number or null")
    for key in ("unit", "reason"):
        if not isinstance(record.get(key) or "", str):
            raise fault(f"{key} is no text")


def _answer(record: dict[str, Any]) -> Answer:
    return Answer(
        record["value"], str(record.get("unit", "1")), record.get("sd"), record.get("low95"),
        record.get("high95"), record.get("probability"), record.get("reason"),
    )  # fmt: skip
