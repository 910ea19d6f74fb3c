"""Thousands of throws at once, on all cores: each one done once, the bad ones named.

Throws go to processes in small lots. A pool of processes is used, not one compiled call over many
throws: throws take unlike numbers of steps (nine in ten between 1,200 and 2,300, of 10,000), so
lots that are asked for one by one keep all cores busy, and a throw that fails takes no other with
it. Which of the two ways is faster was not measured.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from multiprocessing import get_context
from typing import Any

import numpy as np
import pandas as pd

from lashwave.quantities import Array, Index
from lashwave.study import one_throw, throw_family
from lashwave.study.crew import leave_with_parent

LOT = 4
"""Throws that a process is given at a time."""
TABLE = (*throw_family.NAMES, "tip_diameter", *one_throw.RESULTS)
"""Columns of a table of throws, all numbers; `throw` numbers its rows, `bad` says why."""

Progress = Callable[[str, float], None]


def draw(
    count: int, seed: int = 0, ranges: Mapping[str, tuple[float, float]] | None = None
) -> Array:
    """Inputs (count, D) [SI, as m] of throws that fill the family's ranges evenly.

    Scrambled Sobol' points: any first part of them fills the ranges too.

    ranges : replace those of `throw_family.INPUTS`.
    """
    from scipy.stats import qmc

    points = qmc.Sobol(len(throw_family.INPUTS), rng=seed).random(
        1 << max(count - 1, 1).bit_length()
    )
    return throw_family.scaled(points[:count], ranges)


def crossed(lines: int, hands: int, seed: int) -> tuple[Array, Index, Index]:
    """Every line by every hand: inputs (M, D) [SI, as m], numbers of line and of hand (M,).

    The air goes with the line.
    """
    of_line, of_hand = draw(lines, seed), draw(hands, seed + 1)
    inputs = np.repeat(of_line, hands, axis=0)
    for j, item in enumerate(throw_family.INPUTS):
        if item.whose == "hand":
            inputs[:, j] = np.tile(of_hand[:, j], lines)
    number = np.arange(lines * hands)
    return inputs, number // hands, number % hands


def row_of(number: int, values: Sequence[float], links: int = one_throw.LINKS) -> dict[str, Any]:
    """One row of the table: inputs, outputs, accuracy, `bad`."""
    throw = dict(zip(throw_family.NAMES, map(float, values), strict=True))
    found = one_throw.checked(throw, links)
    return {
        "throw": number, **throw, "tip_diameter": throw_family.tip_diameter(throw), **found
    }  # fmt: skip


def _lot(numbers: list[int], values: Array, links: int) -> list[dict[str, Any]]:
    return [row_of(n, list(row), links) for n, row in zip(numbers, values, strict=True)]


def rows(
    inputs: Array,
    todo: Sequence[int] | None = None,
    *,
    processes: int | None = None,
    links: int = one_throw.LINKS,
    progress: Progress | None = None,
) -> Iterator[list[dict[str, Any]]]:
    """Lots of rows, as they are done.

    Parameters
    ----------
    inputs : (M, D) [SI, as m], in the order of `throw_family.INPUTS`.
    todo : numbers of the throws still to be done; None: all.
    processes : as many as the machine has cores, unless given; 1: this process alone.
    """
    numbers = list(range(len(inputs))) if todo is None else list(todo)
    lots = [numbers[i : i + LOT] for i in range(0, len(numbers), LOT)]
    began, done = time.monotonic(), 0
    for lot in _pooled(lots, inputs, processes or os.cpu_count() or 1, links):
        done += len(lot)
        if progress is not None:
            left = (time.monotonic() - began) * (len(numbers) / done - 1.0)
            progress(f"{done} of {len(numbers)} throws, {left:.0f} s left", done / len(numbers))
        yield lot


def _pooled(
    lots: list[list[int]], inputs: Array, processes: int, links: int
) -> Iterator[list[dict[str, Any]]]:
    if processes == 1:
        for lot in lots:
            yield _lot(lot, inputs[lot], links)
        return
    context = get_context("spawn")
    with ProcessPoolExecutor(processes, context, initializer=leave_with_parent) as pool:
        waiting: set[Future[list[dict[str, Any]]]] = set()
        queue = iter(lots)
        try:
            for lot in queue:
                waiting.add(pool.submit(_lot, lot, inputs[lot], links))
                if len(waiting) >= 3 * processes:
                    ready, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                    for future in ready:
                        yield future.result()
            while waiting:
                ready, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for future in ready:
                    yield future.result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def run(inputs: Array, **how: Any) -> pd.DataFrame:
    """The table of all throws, from inputs (M, D) [SI, as m]; `how` as of `rows`."""
    found = [row for lot in rows(inputs, **how) for row in lot]
    return pd.DataFrame(found).sort_values("throw", ignore_index=True)
