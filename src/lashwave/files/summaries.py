"""Back from `summary.json`: the answers of a trial, and which trial they belong to."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lashwave.quantities.answer import Answer
from lashwave.quantities.errors import InputError

SCHEMA = 1
AGAIN = "reconstruct again"


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


def read_summary(folder: Path) -> Summary:
    """The summary in a folder of answers.

    Raises
    ------
    InputError
        Where there is none, or it is not as `docs/trial-folder.md` has it.
    """
    file = folder / "summary.json"
    try:
        record = json.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(
            folder, "holds neither trial.toml nor summary.json", "name a trial or its answers"
        ) from None
    except (OSError, ValueError) as problem:
        raise InputError(file, f"cannot be read ({type(problem).__name__})", AGAIN) from None
    if not isinstance(record, dict) or not isinstance(record.get("quantities"), dict):
        raise InputError(file, "holds no answers", AGAIN, field="quantities")
    if record.get("schema") != SCHEMA:
        raise InputError(file, f"is of schema {record.get('schema')!r}", f"{SCHEMA} is read here",
                         field="schema")  # fmt: skip
    kept = record.get("provenance")
    kept = kept if isinstance(kept, dict) else {}
    answers = {str(n): _answer(file, n, q) for n, q in record["quantities"].items()}
    inputs = kept.get("inputs")
    return Summary(
        str(record.get("trial", folder.name)), _text(kept.get("specimen")),
        _text(kept.get("thrower")), answers, inputs if isinstance(inputs, dict) else {},
        tuple(str(w) for w in record.get("warnings") or ()),
    )  # fmt: skip


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) and value else None


def _answer(file: Path, name: str, record: Any) -> Answer:
    if not isinstance(record, dict) or "value" not in record:
        raise InputError(file, "has no value", AGAIN, field=name)
    numbers = {key: record.get(key) for key in ("value", "sd", "low95", "high95", "probability")}
    for key, value in numbers.items():
        plain = isinstance(value, int | float) and not isinstance(value, bool)
        if value is not None and not (plain and math.isfinite(value)):
            raise InputError(file, f"{key} is {value!r}, not a finite number or null", AGAIN,
                             field=name)  # fmt: skip
    reason = record.get("reason")
    return Answer(
        numbers["value"], str(record.get("unit", "1")), numbers["sd"], numbers["low95"],
        numbers["high95"], numbers["probability"], None if reason is None else str(reason),
    )  # fmt: skip
