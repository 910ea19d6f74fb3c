"""One damaged folder takes nothing else away; odd requests get their 4xx."""

from __future__ import annotations

import json
import re
import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lashwave.serving.security import PatientProtocol

from .conftest import TOKEN, client_of


@pytest.mark.parametrize("damage", [{"provenance": []}, {"quantities": []}, {"warnings": 5}])
def test_a_damaged_summary_is_its_own_row_alone(bench: Path, damage: dict) -> None:
    shutil.copytree(bench / "trial", bench / "other")
    shutil.copytree(bench / "trial.answers", bench / "aaa")
    for name in ("aaa", "trial.answers"):
        file = bench / name / "summary.json"
        file.write_text(json.dumps(json.loads(file.read_text()) | damage))
    with client_of(bench) as client:
        rows = {r["id"]: r for r in client.get("/api/trials").json()["trials"]}
        # Answers that do not say of which trial they are stand alone. Hidden they would be answers
        # that vanish: the row says which file is at fault.
        assert set(rows) == {"trial", "other", "aaa"}
        assert rows["aaa"]["verdict"] == "unusable" and not rows["aaa"]["answered"]
        assert "aaa" in rows["aaa"]["broken"] and "summary.json" in rows["aaa"]["broken"]
        assert rows["aaa"]["reasons"] == [rows["aaa"]["broken"]]
        answer = client.get("/api/trials/aaa")
        assert answer.status_code == 422 and "summary.json" in answer.json()["error"]
        assert any("summary.json" in reason for reason in rows["trial"]["reasons"])
        assert not any("summary.json" in reason for reason in rows["other"]["reasons"])
        assert client.get("/api/trials/trial").status_code == 200
        assert client.get("/api/trials/other").status_code == 200


@pytest.mark.parametrize("file", ["motion.nc", "answers.nc", "sightings.nc"])
def test_damaged_netcdf_is_no_500(bench: Path, file: str) -> None:
    path = bench / "trial.answers" / file
    whole = path.read_bytes()
    for damaged in (whole[: len(whole) // 2], b"", whole[:200] + b"\xff" * 4000 + whole[4200:]):
        path.write_bytes(damaged)
        with client_of(bench) as client:
            for what in ("", "/motion", "/sightings", "/thumbnail.svg", "/list.csv?list=tension"):
                assert client.get(f"/api/trials/trial{what}").status_code < 500, (what, damaged[:9])


def test_a_great_many_fields_without_a_token_are_refused(bench: Path) -> None:
    with client_of(bench) as client:
        del client.headers["X-Lashwave-Token"]
        address = "/api/ping?" + "&".join(f"a{i}=1" for i in range(80))
        assert client.get(address).status_code == 401


def test_a_code_opens_the_pages_once(bench: Path) -> None:
    with client_of(bench) as client:
        code = client.app.state.lashwave.codes.new()
        first = client.get(f"/?code={code}", follow_redirects=False)
        assert first.status_code == 303 and first.headers["location"] == "/"
        kept = first.headers["set-cookie"]
        assert TOKEN in kept and "HttpOnly" in kept and "samesite=strict" in kept.lower()
        del client.headers["X-Lashwave-Token"]
        assert client.get("/api/ping").status_code == 200  # by the cookie
        client.cookies.clear()
        client.cookies.set("lashwave-8000", "x")
        assert client.get("/api/ping").status_code == 401
        assert client.get(f"/?code={code}", follow_redirects=False).status_code != 303


HALVES = {
    "headers": "GET /api/ping HTTP/1.1\r\nHost: 127.0.0.1\r\n",
    "body": "PUT /api/trials/x/mends HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n"
    "X-Lashwave-Token: TOKEN\r\nIf-Match: none\r\nContent-Length: 20\r\n\r\n{",
}


@pytest.mark.parametrize("what", HALVES)
def test_a_half_sent_request_is_not_waited_for(tmp_path: Path, what: str) -> None:
    assert PatientProtocol.wait <= 10
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / "trial.toml").write_text("schema = 1\n")
    code = (
        "from pathlib import Path; from lashwave.serving.security import PatientProtocol as P\n"
        "P.wait = 1.0\nfrom lashwave.workbench import open_command\n"
        f"open_command.serve(Path({str(tmp_path)!r}), 0, False)"
    )
    call = [sys.executable, "-c", code]
    with subprocess.Popen(
        call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as server:
        assert server.stdout is not None
        found = re.search(r":(\d+)/\?token=(\S+)", server.stdout.readline())
        assert found is not None
        text = HALVES[what].replace("PORT", found[1]).replace("TOKEN", found[2])
        with socket.create_connection(("127.0.0.1", int(found[1]))) as half:
            half.settimeout(30)
            half.sendall(text.encode())
            begin = time.monotonic()
            assert half.recv(100) == b"" and 0.5 < time.monotonic() - begin < 20
        server.terminate()
        _, said = server.communicate(timeout=60)
    assert "Traceback" not in said
