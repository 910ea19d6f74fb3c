"""A share of `make fuzz`, and that it sees what it is there to see."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchmarks import fuzz
from benchmarks.fuzz import Tally, Target, Wrong
from benchmarks.fuzz_targets import refused
from lashwave.quantities.errors import InputError


def test_a_share_of_the_damaged_inputs_gives_answers_or_one_line() -> None:
    tally = fuzz.fuzzed(80, seed=19)
    assert tally.tried == 80 and tally.counts["taken"] and tally.counts["refused"]
    assert tally.wrong == 0, tally.said


def numbers(count: int, seed: int) -> Iterator[object]:
    yield from range(count)


def planted(value: object) -> bool:
    """Each way to go wrong, one after another."""
    if value == 1:
        raise KeyError("a table")
    if value == 2:
        os.kill(os.getpid(), signal.SIGSEGV)
    if value == 3:
        time.sleep(60)
    return value != 4


def test_a_traceback_a_crash_and_a_hang_are_counted_and_the_rest_goes_on(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(fuzz, "STUCK", 1.0)
    monkeypatch.setattr(fuzz, "KEPT", tmp_path)
    tally = Tally()
    fuzz.run(Target("planted", planted, numbers), 6, 0, tally)
    assert tally.counts == {"taken": 2, "traceback": 1, "crash": 1, "hang": 1, "refused": 1}
    assert tally.wrong == 3 and "KeyError" in tally.said[0]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["planted-1", "planted-2", "planted-3"]


def test_a_line_that_cannot_be_read_is_wrong() -> None:
    def faulty() -> None:
        raise InputError("file", "x " * 2000, "shorten it")

    with pytest.raises(Wrong, match="4018 characters"):
        refused(faulty)
