"""Work in a process of its own: its result, and what happens where that process fails."""

from __future__ import annotations

import multiprocessing
import os
import signal

import pytest

from lashwave.pipeline import aside as module
from lashwave.pipeline.aside import aside


def test_the_work_is_done_elsewhere_and_its_result_comes_back():
    kept = bytes(range(256)) * 40_000  # more than a pipe holds
    with aside(lambda: (os.getpid(), kept[::-1]), alone=False) as result:
        pid, found = result()
    assert found == kept[::-1] and pid != os.getpid()
    assert not multiprocessing.active_children()


@pytest.mark.parametrize(("alone", "can_fork"), [(True, True), (False, False)])
def test_one_core_or_a_system_that_cannot_fork_does_it_here(alone, can_fork, monkeypatch):
    monkeypatch.setattr(module, "CAN_FORK", can_fork)
    with aside(os.getpid, alone=alone) as result:
        assert result() == os.getpid()


@pytest.mark.parametrize("end", ["kill", "raise", "cannot be sent"])
def test_where_that_process_fails_the_work_is_done_here(end):
    own = os.getpid()

    def work():
        if os.getpid() != own and end == "kill":
            os.kill(os.getpid(), signal.SIGKILL)
        if os.getpid() != own and end == "raise":
            raise MemoryError
        return (lambda: 7) if end == "cannot be sent" else 7

    with aside(work, alone=False) as result:
        found = result()
    assert (found() if end == "cannot be sent" else found) == 7


def test_what_the_work_raises_is_raised():
    with aside(lambda: 1 // 0, alone=False) as result, pytest.raises(ZeroDivisionError):
        result()


def test_nothing_is_left_when_the_other_work_fails():
    with pytest.raises(KeyError), aside(signal.pause, alone=False):
        raise KeyError
    assert not multiprocessing.active_children()
