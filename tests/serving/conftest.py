"""A folder of trials, one with answers, and a client that may look at it."""

from __future__ import annotations

import shutil
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

from lashwave.pipeline import reconstruct as pipeline
from lashwave.serving.app import make_app
from tests.workbench.conftest import folder, quick, trial

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the client's own words about its next version
    from starlette.testclient import TestClient

__all__ = ["folder", "quick", "trial"]  # fixtures

TOKEN = "a-token-of-the-tests"


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the answers are kept once they were made: every test gets a copy."""
    return tmp_path_factory.mktemp("template") / "bench"


@pytest.fixture
def bench(folder: Path, quick, template: Path) -> Path:
    """DIR with the trial `trial` and its answers."""
    if not template.exists():
        aside = folder.parent / "aside"
        shutil.copytree(folder, aside / "trial")
        pipeline.reconstruct_folder(aside / "trial", aside / "trial.answers")
        aside.rename(template)
    place = folder.parent / "bench"
    shutil.copytree(template, place)
    return place


def client_of(folder: Path) -> TestClient:
    return TestClient(
        make_app(folder, TOKEN),
        base_url="http://127.0.0.1:8000",
        headers={"X-Lashwave-Token": TOKEN},
        raise_server_exceptions=False,
    )


@pytest.fixture
def client(bench: Path) -> Iterator[TestClient]:
    with client_of(bench) as found:
        yield found
