"""Mends through the server: undone, redone, and safe from a second writer."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from lashwave.pipeline import reconstruct as pipeline

from .conftest import client_of
from .test_hostile import contents

ADDRESS = "/api/trials/trial/mends"
FIRST = {"kind": "reject-marker", "marker": "M02", "from": 0.1, "to": 0.2, "reason": "tape"}
SECOND = {"kind": "clock-offset", "camera": "tip-view", "offset": 1e-3, "offset_sd": 1e-4}


def put(client: TestClient, mends: list, tag: str):
    return client.put(ADDRESS, json={"mends": mends}, headers={"If-Match": tag})


@pytest.fixture
def plain(folder: Path):
    """DIR with a trial and no answers."""
    with client_of(folder.parent) as client:
        yield client


def test_put_undo_redo(plain: TestClient, folder: Path) -> None:
    before = contents(folder)
    empty = plain.get(ADDRESS).json()
    assert (empty["etag"], empty["mends"], empty["undo"], empty["redo"]) == ("none", [], 0, 0)
    one = put(plain, [FIRST], "none").json()
    two = put(plain, [FIRST, SECOND], one["etag"]).json()
    assert two["mends"] == [FIRST, SECOND] and two["undo"] == 2
    assert plain.get("/api/trials").json()["trials"][0]["mends"] == 2
    back = plain.post(f"{ADDRESS}/undo", headers={"If-Match": two["etag"]}).json()
    assert back["mends"] == [FIRST] and (back["undo"], back["redo"]) == (1, 1)
    none = plain.post(f"{ADDRESS}/undo", headers={"If-Match": back["etag"]}).json()
    assert none["mends"] == [] and not (folder.parent / "trial.mends.toml").exists()
    again = plain.post(f"{ADDRESS}/redo", headers={"If-Match": none["etag"]}).json()
    assert again["mends"] == [FIRST] and again["etag"] == one["etag"]
    with client_of(folder.parent) as restarted:  # what can be undone outlives the server
        assert restarted.get(ADDRESS).json()["undo"] == 1
    assert contents(folder) == before


def test_a_stale_tag_is_refused(plain: TestClient, folder: Path) -> None:
    one = put(plain, [FIRST], "none")
    late = put(plain, [SECOND], "none")
    assert late.status_code == 409 and late.json()["mends"] == [FIRST]
    assert late.json()["etag"] == one.json()["etag"] == one.headers["etag"].strip('"')
    assert plain.put(ADDRESS, json={"mends": []}).status_code == 428
    assert plain.post(f"{ADDRESS}/undo", headers={"If-Match": "none"}).status_code == 409
    file = folder.parent / "trial.mends.toml"
    file.write_text(file.read_text() + "# by hand\n")  # an editor is a second writer too
    assert put(plain, [], one.json()["etag"]).status_code == 409


def test_of_many_writers_one_wins(folder: Path) -> None:
    """Two servers of one folder, eight writers that all read the same list."""
    with client_of(folder.parent) as a, client_of(folder.parent) as b:
        lists = [[{**FIRST, "from": k / 100}] for k in range(8)]
        with ThreadPoolExecutor(8) as pool:
            jobs = [pool.submit(put, (a, b)[k % 2], one, "none") for k, one in enumerate(lists)]
            answers = [job.result() for job in jobs]
        won = [k for k, answer in enumerate(answers) if answer.status_code == 200]
        assert len(won) == 1 and {x.status_code for x in answers} == {200, 409}
        assert a.get(ADDRESS).json()["mends"] == lists[won[0]]


def test_a_fault_changes_nothing(plain: TestClient, folder: Path) -> None:
    one = put(plain, [FIRST], "none").json()
    wrong = put(plain, [FIRST, {**FIRST, "marker": "M99"}], one["etag"])
    assert wrong.status_code == 422 and wrong.json()["field"] == "mend[1].marker"
    assert plain.get(ADDRESS).json()["etag"] == one["etag"]
    (folder.parent / "trial.mends.toml").write_text("kind: wish\n")
    state = plain.get(ADDRESS).json()
    assert state["mends"] == [] and "not TOML" in state["fault"]
    assert put(plain, [FIRST], state["etag"]).status_code == 200


def test_a_mend_makes_answers_stale_and_travels_into_new_ones(bench: Path) -> None:
    with client_of(bench) as client:
        assert not client.get("/api/trials/trial").json()["stale"]
        assert put(client, [FIRST], "none").status_code == 200
        assert client.get("/api/trials/trial").json()["stale"]
        pipeline.reconstruct_folder(bench / "trial", bench / "trial.answers")
        record = client.get("/api/trials/trial").json()
        assert not record["stale"]
        said = "mended by hand: 51 samples of marker M02 set aside (tape)."
        assert said in record["warnings"]
    summary = json.loads((bench / "trial.answers" / "summary.json").read_text())
    file = (bench / "trial.mends.toml").read_bytes()
    assert summary["provenance"]["inputs"]["trial.mends.toml"] == sha256(file).hexdigest()
    (bench / "trial.mends.toml").unlink()
    with client_of(bench) as client:
        assert client.get("/api/trials/trial").json()["stale"]  # mends that are gone count as well
