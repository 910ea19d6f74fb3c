"""The record of checks against published numbers, for every test that holds one."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.published.record import Check, Record

os.environ.setdefault("LASHWAVE_THREADS", "1")  # tests themselves run side by side
RECORD = Record()
TESTS = Path(__file__).parent


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--write-validation",
        action="store_true",
        help="run the tests that hold a published number; write what they find into the docs",
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--write-validation"):
        kept = [item for item in items if "check" in getattr(item, "fixturenames", ())]
        config.hook.pytest_deselected(items=[item for item in items if item not in kept])
        items[:] = kept


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    # One process only: another's rows would be missing.
    alone = not hasattr(session.config, "workerinput") and bool(RECORD.rows)
    if session.config.getoption("--write-validation") and exitstatus == 0 and alone:
        RECORD.write()


@pytest.fixture
def check(request: pytest.FixtureRequest) -> Check:
    """Hold a number against a published one; see `published.record`."""
    place = request.path.relative_to(TESTS).as_posix()
    return Check(RECORD, f"{place}::{request.node.originalname}")
