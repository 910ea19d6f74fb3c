"""The real `lashwave open` under hostile requests, and killed while it writes mends."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import random
import re
import signal
import socket
import subprocess
import threading
import time
from pathlib import Path

from benchmarks import fuzz_mutations as mutations
from benchmarks.fault_bench import command

SLOWEST_PING = 0.5
"""A ping while an archive is made takes no longer [s]; the goal of issue 19."""


class Server:
    """`lashwave open` of a folder, from its start to its end."""

    def __init__(self, folder: Path) -> None:
        self._said = folder / "said.txt"
        self._stream = self._said.open("w")
        self.process = subprocess.Popen(
            command("open", folder, "--no-browser"), stdout=subprocess.PIPE, stderr=self._stream,
            text=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        match = re.search(r":(\d+)/\?token=(\S+)", line)
        if match is None:
            raise SystemExit(f"the server does not start: {line} {self.said}")
        self.port, self.token = int(match[1]), match[2]

    @property
    def said(self) -> str:
        """What it said on standard error."""
        return self._said.read_text("utf-8", "replace")

    def memory(self) -> float:
        """The most it has held [MB]."""
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        match = re.search(r"VmHWM:\s+(\d+) kB", text)
        return int(match[1]) / 1024 if match else 0.0

    def ask(self, method: str, path: str, body: bytes | None = None, **headers: str):  # type: ignore[no-untyped-def]
        """Status, tag and content of an answer."""
        one = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        with contextlib.closing(one):
            one.request(method, path, body, {"X-Lashwave-Token": self.token, **headers})
            answer = one.getresponse()
            return answer.status, answer.headers.get("ETag", ""), answer.read()

    def ping(self) -> float:
        """Seconds of a ping."""
        begin = time.monotonic()
        assert self.ask("GET", "/api/ping")[0] == 200
        return time.monotonic() - begin

    def end(self, what: int = signal.SIGTERM) -> int:
        """Stop it; its status."""
        self.process.send_signal(what)
        status = self.process.wait(60)
        self._stream.close()
        return status


PATHS = ["/", "/api/ping", "/api/trials", "/api/trials/trial", "/api/trials/trial/motion",
         "/api/trials/trial/sightings", "/api/trials/trial/mends", "/api/new/inspect",
         "/api/trials/trial/list.csv?list=tension", "/api/runs/0", "/../../etc/passwd",
         "/api/trials/%2e%2e", "/assets/../../x", "/api/trials/trial/frames/x/0"]  # fmt: skip


def raw_request(draw: random.Random, server: Server) -> bytes:
    """One request as bytes: well-formed, damaged or half."""
    method = draw.choice(
        ["GET", "GET", "PUT", "POST", "DELETE", "HEAD", "TRACE", "G\0T", "A" * 3000]
    )
    if method == "POST" and draw.random() < 0.5:
        method = "PUT"
    body = draw.choice(
        [b"", b"{}", b'{"mends": []}', b"[" * 5000, b"\xff" * 40, b'{"path": "trial"}']
    )
    length = draw.choice([str(len(body))] * 6 + ["-1", "99999999999", "x", "", "1"])
    own = f"127.0.0.1:{server.port}"
    host = draw.choice([*[own] * 8, "evil.example", "", "127.0.0.1\r\nX: y"])
    token = draw.choice([server.token] * 5 + ["", "x", "a" * 20_000])
    head = (
        f"{method} {draw.choice(PATHS)} HTTP/1.1\r\nHost: {host}\r\nX-Lashwave-Token: {token}\r\n"
        f"Content-Length: {length}\r\nConnection: close\r\n\r\n"
    )
    whole = head.encode() + body
    return mutations.mutated(whole, draw, text=True) if draw.random() < 0.5 else whole


def hostile(server: Server, count: int, seed: int) -> list[str]:
    """Send `count` raw requests; what went wrong."""
    wrong = []
    for i in range(count):
        draw = random.Random(f"{seed}-{i}")
        begin, got = time.monotonic(), b""
        with socket.create_connection(("127.0.0.1", server.port), timeout=60) as one:
            one.settimeout(60)
            with contextlib.suppress(ConnectionError):
                one.sendall(raw_request(draw, server))
                if draw.random() < 0.2:  # one that leaves before the answer
                    continue
                one.shutdown(socket.SHUT_WR)
                while piece := one.recv(65536):
                    got += piece
        status = got[9:12]
        if status.startswith(b"5") and status != b"503":
            wrong.append(f"request {i}: status {status.decode()}")
        if time.monotonic() - begin > 30:
            wrong.append(f"request {i}: over 30 s")
        if server.process.poll() is not None:
            wrong.append(f"request {i}: the server ended, {server.said[-300:]}")
            break
    if "Traceback" in server.said:
        wrong.append(f"traceback: {server.said[-300:]}")
    return wrong


def pings_beside_archives(server: Server) -> list[float]:
    """Times of pings while archives are made [s]."""
    done = threading.Event()

    def take() -> None:
        for _ in range(3):
            server.ask("GET", "/api/trials/trial/answers.zip")
        done.set()

    several = [threading.Thread(target=take) for _ in range(3)]
    for one in several:
        one.start()
    times = []
    while any(one.is_alive() for one in several):
        times.append(server.ping())
        time.sleep(0.02)
    return times


def killed_mending(folder: Path, trial: Path, draw: random.Random) -> str | None:
    """Kill a server at a random moment of a stream of changes; what is lost or half then."""
    server = Server(folder)
    path = folder / f"{trial.name}.mends.toml"
    stop = time.monotonic() + draw.uniform(0.0, 1.5)
    sent: list[str] = []

    def change() -> None:
        tag, i = "none", 0
        with contextlib.suppress(OSError, http.client.HTTPException):
            _, tag, _ = server.ask("GET", f"/api/trials/{trial.name}/mends")
            while True:
                i += 1
                mend = {"kind": "reject-marker", "marker": "M02", "from": "0.01 s",
                        "to": f"0.02{i % 10} s", "reason": f"change {i}"}  # fmt: skip
                body = json.dumps({"mends": [mend]}).encode()
                place = f"/api/trials/{trial.name}/mends"
                status, tag, _ = server.ask("PUT", place, body, **{"If-Match": tag})
                if status == 200:
                    sent.append(f"change {i}")

    writer = threading.Thread(target=change)
    writer.start()
    time.sleep(max(0.0, stop - time.monotonic()))
    server.end(signal.SIGKILL)
    writer.join()
    return _mends_lost(path, trial, sent)


def _mends_lost(path: Path, trial: Path, sent: list[str]) -> str | None:
    from lashwave.files.trial_folder import read_trial

    try:
        read_trial(trial)
    except Exception as fault:
        return f"mends are half written: {fault}"
    if sent:
        text = path.read_text()
        last = int(sent[-1].split()[1])
        if f'"change {last}"' not in text and f'"change {last + 1}"' not in text:
            return f"{sent[-1]} was confirmed and is lost"
    os.unlink(path) if path.exists() else None
    return None
