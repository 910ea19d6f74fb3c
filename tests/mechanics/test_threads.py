"""Work shared among threads: each piece once, taken in order, and nothing goes on after a fault."""

from __future__ import annotations

import os
import threading
import time

import pytest

from lashwave.mechanics import chosen_threads, cores, each, in_order, on_threads, ranges, threads
from lashwave.quantities import InputError


@pytest.mark.parametrize("many", [1, 2, 4])
def test_each_piece_is_made_once_and_taken_in_order_when_all_before_are_made(many):
    made, taken, by = [], [], set()

    def make(i):
        time.sleep(2e-3 if i % 3 == 0 else 0.0)
        made.append(i)
        by.add(threading.get_ident())

    def take(i):
        assert set(range(i + 1)) <= set(made)
        taken.append((i, threading.get_ident()))

    with on_threads(many):
        in_order(make, take, 25)
    assert sorted(made) == list(range(25))
    assert taken == [(i, threading.get_ident()) for i in range(25)]
    assert len(by) <= many and (many == 1) == (len(by) == 1)


@pytest.mark.parametrize("many", [1, 3])
@pytest.mark.parametrize("where", ["make", "take"])
def test_a_fault_is_raised_when_nobody_works_any_more(many, where):
    at_work, begun = set(), []

    def make(i):
        begun.append(i)
        at_work.add(i)
        time.sleep(1e-3)
        at_work.discard(i)
        if where == "make" and i == 4:
            raise ZeroDivisionError

    def take(i):
        if where == "take" and i == 4:
            raise ZeroDivisionError

    with on_threads(many):
        with pytest.raises(ZeroDivisionError):
            in_order(make, take, 1000)
        assert not at_work and len(begun) < 500
        assert each(str, range(9)) == list("012345678")  # and the threads work on


def test_what_works_on_a_piece_does_not_split_it_again():
    assert threads() == 1
    with on_threads(3):
        assert threads() == 3
        assert each(lambda _: threads(), range(50)) == [1] * 50
        assert each(lambda n: sum(each(int, range(n))), [5, 6]) == [10, 15]
        with on_threads(1):
            assert threads() == 1
        assert threads() == 3
    assert threads() == 1


@pytest.mark.parametrize(
    ("many", "count", "least"), [(1, 7, 2), (2, 777, 24), (2, 30, 24), (3, 9, 1)]
)
def test_ranges_hold_every_number_once(many, count, least):
    with on_threads(many):
        found = ranges(count, least)
    assert [i for first, last in found for i in range(first, last)] == list(range(count))
    assert min(last - first for first, last in found) >= min(least, count)
    assert (len(found) == 1) == (many == 1 or count < 2 * least)


def test_a_command_takes_what_the_environment_names(monkeypatch):
    monkeypatch.setenv("LASHWAVE_THREADS", "3")
    assert chosen_threads() == 3
    monkeypatch.delenv("LASHWAVE_THREADS")
    assert chosen_threads() == cores() == len(os.sched_getaffinity(0))
    for wrong in ("two", "0", "-1"):
        monkeypatch.setenv("LASHWAVE_THREADS", wrong)
        with pytest.raises(InputError, match=r"LASHWAVE_THREADS.*1 or more"):
            chosen_threads()
