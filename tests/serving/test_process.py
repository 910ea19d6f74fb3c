"""A real server process: address, runs that stop, answers that stay, an end by Ctrl-C."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import av
import httpx
import pytest


@pytest.fixture
def server(bench: Path) -> Iterator[tuple[subprocess.Popen, httpx.Client]]:
    command = [sys.executable, "-m", "lashwave.workbench.cli", "open", str(bench), "--no-browser"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    address = process.stdout.readline().strip()
    base, _, token = address.partition("/?token=")
    headers = {"X-Lashwave-Token": token}
    with httpx.Client(base_url=base, headers=headers, timeout=60, trust_env=False) as client:
        for _ in range(200):
            try:
                client.get("/api/ping")
                break
            except httpx.TransportError:
                time.sleep(0.05)
        yield process, client
    process.kill()
    process.wait()


def followed(client: httpx.Client, run: str, until: str) -> list[dict]:
    """States that server-sent events tell, up to the first that is `until` or an end."""
    states = []
    with client.stream("GET", f"/api/runs/{run}/events") as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        for line in stream.iter_lines():
            if line.startswith("data: "):
                states.append(json.loads(line[6:]))
                if states[-1]["state"] in (until, "done", "failed", "cancelled"):
                    break
    return states


def test_a_life_of_a_server(server, bench: Path) -> None:
    process, client = server
    assert client.get("/api/ping").json()["alive"]
    assert client.get("/api/ping", headers={"X-Lashwave-Token": "x"}).status_code == 401
    summary = bench / "trial.answers" / "motion.nc"
    before = hashlib.sha256(summary.read_bytes()).hexdigest()
    # A film, by a run of its own.
    body = {"view": "front", "duration": 0.5, "rate": 10}
    run = client.post("/api/trials/trial/film", json=body).json()["run"]
    last = followed(client, run, "done")[-1]
    assert last["state"] == "done", last
    (bench / "got.mp4").write_bytes(client.get(last["result"]).content)
    with av.open(str(bench / "got.mp4")) as film:
        assert sum(1 for _ in film.decode(video=0)) == 5
    # A reconstruction that is stopped while it runs: the answers before it stay.
    run = client.post("/api/trials/trial/run", json={}).json()["run"]
    assert followed(client, run, "running")[-1]["state"] == "running"
    second = client.post("/api/trials/trial/run", json={})
    assert second.status_code == 409 and second.json()["run"] == run
    assert client.get("/api/trials").json()["trials"][0]["running"]
    gone = client.delete(f"/api/runs/{run}").json()
    assert gone["state"] == "cancelled"
    assert hashlib.sha256(summary.read_bytes()).hexdigest() == before
    assert not list(bench.glob(".trial.answers.*"))
    assert not client.get("/api/trials").json()["trials"][0]["running"]
    assert client.get("/api/runs/unknown").status_code == 404
    # A run that cannot be: one line, and the answers stay.
    (bench / "trial" / "markers.csv").write_text("time [s],marker,x [m],y [m],z [m]\n0,M01,0,0,0\n")
    run = client.post("/api/trials/trial/run", json={}).json()["run"]
    last = followed(client, run, "failed")[-1]
    assert last["state"] == "failed" and "markers.csv" in last["line"]
    assert hashlib.sha256(summary.read_bytes()).hexdigest() == before
    process.send_signal(signal.SIGINT)
    assert process.wait(20) == 0
    assert "Stopped." in process.stdout.read() and process.stderr.read() == ""


def test_two_tabs_stay_in_step(server) -> None:
    """What one client changes, another hears (server-sent events, HTML standard 9.2)."""
    _, client = server
    with client.stream("GET", "/api/events") as stream:
        lines = stream.iter_lines()
        assert next(lines).startswith("retry:")
        body = {"mends": [{"kind": "reject-marker", "marker": "M02"}]}
        put = client.put("/api/trials/trial/mends", json=body, headers={"If-Match": "none"})
        assert put.status_code == 200
        heard = next(line for line in lines if line.startswith("data: "))
    assert json.loads(heard[6:]) == {"changed": ["mends"], "trial": "trial"}


def test_a_run_ends_with_its_server(server, bench: Path) -> None:
    process, client = server
    run = client.post("/api/trials/trial/run", json={}).json()["run"]
    followed(client, run, "running")
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
    assert children
    process.kill()
    for _ in range(100):
        if not any(os.path.exists(f"/proc/{child}/fd/0") for child in children):
            break
        time.sleep(0.1)
    assert not any(os.path.exists(f"/proc/{child}/fd/0") for child in children)


def test_a_port_that_is_taken(server, bench: Path) -> None:
    _, client = server
    command = [sys.executable, "-m", "lashwave.workbench.cli", "open", str(bench), "--no-browser"]
    port = str(client.base_url.port)
    done = subprocess.run([*command, "--port", port], capture_output=True, text=True)
    assert done.returncode == 2 and done.stderr.count("\n") == 1 and "--port" in done.stderr
