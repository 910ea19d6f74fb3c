"""Runs: each in a process of its own, so that cancelling really stops it; one of a trial at a time.

A run writes aside and moves its answers in place as a whole, so a stopped one leaves the last good
answers. The process ends by itself when the server does: its standard input closes.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import signal
import sys
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lashwave.files import sweep
from lashwave.serving.hub import Hub
from lashwave.serving.replies import Refused, not_found

AT_ONCE = 1
"""Runs at one time: one takes a core and up to 2 GB."""
REMEMBERED = 100
PATIENCE = 3.0
"""How long a process that was asked to stop may take [s]."""
ENDED = ("done", "failed", "cancelled")


@dataclass
class ServedRun:
    """One run and how far it is."""

    id: str
    trial: str
    kind: str
    """reconstruct or film"""
    arguments: dict[str, Any]
    state: str = "queued"
    stage: str = "waiting"
    share: float = 0.0
    began: float | None = None
    """On the machine's clock [s]; None while it waits."""
    ended: float | None = None
    line: str | None = None
    """What went wrong, in one line."""
    result: str | None = None
    """Address of what was made."""
    file: Path | None = None
    process: asyncio.subprocess.Process | None = field(default=None, repr=False)
    changed: asyncio.Event = field(default_factory=asyncio.Event, repr=False)

    def record(self) -> dict[str, Any]:
        """The JSON object of its state."""
        keys = ("id", "trial", "kind", "state", "stage", "share", "line", "result")
        until = time.monotonic() if self.ended is None else self.ended
        elapsed = None if self.began is None else until - self.began
        return {key: getattr(self, key) for key in keys} | {"elapsed": elapsed}


class ServedRuns:
    """All runs since the server started."""

    def __init__(self, hub: Hub) -> None:
        self._hub, self._runs = hub, dict[str, ServedRun]()
        self._slots = asyncio.Semaphore(AT_ONCE)
        self._tasks = set[asyncio.Task[None]]()

    def start(self, trial: str, kind: str, arguments: dict[str, Any], file: Path) -> ServedRun:
        """Queue a run; raises Refused (409) where one of that kind and trial is not done."""
        busy = self.of(trial, kind)
        if busy is not None:
            raise Refused(409, f"trial {trial} has a run already", None, run=busy.id)
        run = ServedRun(secrets.token_hex(8), trial, kind, arguments, file=file)
        self._runs[run.id] = run
        for old in [r.id for r in self._runs.values() if r.state in ENDED][:-REMEMBERED]:
            del self._runs[old]
        task = asyncio.get_running_loop().create_task(self._go(run))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        self._hub.tell("run", trial)
        return run

    def get(self, name: str) -> ServedRun:
        """A run; raises Refused (404) where this server does not know it."""
        if name not in self._runs:
            raise not_found("this run is not known: the server was started anew since")
        return self._runs[name]

    def of(self, trial: str, kind: str | None = None) -> ServedRun | None:
        """The run of a trial that is queued or running."""
        alive = (r for r in self._runs.values() if r.state not in ENDED and r.trial == trial)
        return next((r for r in alive if kind in (None, r.kind)), None)

    async def cancel(self, run: ServedRun) -> None:
        """Stop a run and wait until it has stopped."""
        if run.state in ENDED:
            return
        self._set(run, state="cancelled", stage="cancelled", line="stopped; no answer was written")
        await _stop(run)

    async def events(self, run: ServedRun) -> AsyncIterator[bytes]:
        """Server-sent events (HTML standard, section 9.2) of a run until it has ended."""
        while True:
            changed = run.changed
            yield f"data: {json.dumps(run.record())}\n\n".encode()
            if run.state in ENDED:
                return
            try:
                await asyncio.wait_for(changed.wait(), 15.0)
            except TimeoutError:
                yield b": still here\n\n"

    async def close(self) -> None:
        """Stop everything; for the end of the server."""
        for run in list(self._runs.values()):
            await self.cancel(run)
        for task in list(self._tasks):
            task.cancel()

    def _set(self, run: ServedRun, **values: Any) -> None:
        for key, value in values.items():
            setattr(run, key, value)
        if run.state in ENDED and run.ended is None:
            run.ended = time.monotonic()
        run.changed.set()
        run.changed = asyncio.Event()

    async def _go(self, run: ServedRun) -> None:
        async with self._slots:
            if run.state != "queued":
                return
            self._set(run, state="running", stage="starting", began=time.monotonic())
            self._hub.tell("run", run.trial)
            try:
                await self._watch(run)
            except OSError as error:
                self._set(run, state="failed", line=f"cannot be started: {error}")
            finally:
                if run.file is not None:
                    sweep(run.file.parent, run.file.name)
        self._hub.tell("answers" if run.state == "done" else "run", run.trial)

    async def _watch(self, run: ServedRun) -> None:
        """Start the process and follow what it says until it ends."""
        run.process = process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "lashwave.serving.child", json.dumps(run.arguments),
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL, start_new_session=True, limit=1 << 20,
        )  # fmt: skip
        if run.state == "cancelled":  # it was stopped while it started
            await _stop(run)
        assert process.stdout is not None
        said: dict[str, Any] = {}
        async for row in process.stdout:
            with contextlib.suppress(ValueError):
                said = json.loads(row)
            if run.state == "running" and "stage" in said:
                self._set(run, stage=str(said["stage"]), share=float(said["share"]))
        status = await process.wait()
        if run.state != "running":
            return
        if status == 0:
            done = {"state": "done", "stage": "done", "share": 1.0}
            if run.kind == "film":
                done["result"] = f"/api/runs/{run.id}/result"
            self._set(run, **done)
        else:
            line = said.get("line") or f"the run ended unexpectedly (status {status})"
            self._set(run, state="failed", stage="failed", line=line)


async def _stop(run: ServedRun) -> None:
    process = run.process
    if process is None or process.returncode is not None:
        return
    for what in (signal.SIGINT, signal.SIGKILL):
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, what)
        try:
            await asyncio.wait_for(process.wait(), PATIENCE)
            return
        except TimeoutError:
            continue
