"""Thousands of throws at once, on all cores or on a graphics card: each done once, the bad named.

Throws go in lots to processes, each of which computes `WIDTH` of a lot side by side (`together` of
the mechanics). Processes, not threads: what a throw costs before its first step is plain Python. On
a card one process gives large lots. A row depends on its lot in the sixth digit: what is computed
side by side takes turns together.
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

WIDTH = 16
"""Throws side by side; a lot is a multiple."""
LOT, CARD_LOT = 128, 32_768
"""Throws that a process, and a card, is given at a time at most."""
TABLE = (*throw_family.NAMES, "tip_diameter", *one_throw.NUMBERS)
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


def _row(number: int, throw: dict[str, float], found: Mapping[str, Any]) -> dict[str, Any]:
    """One row of the table: inputs, outputs, accuracy, `bad`."""
    return {
        "throw": number, **throw, "tip_diameter": throw_family.tip_diameter(throw), **found
    }  # fmt: skip


def _named(values: Sequence[float]) -> dict[str, float]:
    return dict(zip(throw_family.NAMES, map(float, values), strict=True))


def _lot(numbers: list[int], values: Array, links: int, gpu: bool) -> list[dict[str, Any]]:
    throws = [_named(row) for row in values]
    found = one_throw.many(throws, links, gpu=gpu, threads=1)
    return [_row(*row) for row in zip(numbers, throws, found, strict=True)]


def rows(
    inputs: Array,
    todo: Sequence[int] | None = None,
    *,
    processes: int | None = None,
    links: int = one_throw.LINKS,
    gpu: bool = False,
    progress: Progress | None = None,
) -> Iterator[list[dict[str, Any]]]:
    """Lots of rows, as they are done.

    Parameters
    ----------
    inputs : (M, D) [SI, as m], in the order of `throw_family.INPUTS`.
    todo : numbers of the throws still to be done; None: all.
    processes : as many as the machine has cores, unless given; 1: this process alone.
    gpu : on a graphics card, by this process.

    Raises
    ------
    InputError : gpu, and there is no card.
    """
    numbers = list(range(len(inputs))) if todo is None else list(todo)
    count = 1 if gpu else processes or os.cpu_count() or 1
    even = -(-len(numbers) // (3 * count * WIDTH)) * WIDTH
    size = CARD_LOT if gpu else min(max(even, WIDTH), LOT)
    lots = [numbers[i : i + size] for i in range(0, len(numbers), size)]
    began, done = time.monotonic(), 0
    for lot in _pooled(lots, inputs, count, links, gpu):
        done += len(lot)
        if progress is not None:
            left = (time.monotonic() - began) * (len(numbers) / done - 1.0)
            progress(f"{done} of {len(numbers)} throws, {left:.0f} s left", done / len(numbers))
        yield lot


def _pooled(
    lots: list[list[int]], inputs: Array, processes: int, links: int, gpu: bool
) -> Iterator[list[dict[str, Any]]]:
    if processes == 1:
        for lot in lots:
            yield _lot(lot, inputs[lot], links, gpu)
        return
    context = get_context("spawn")
    with ProcessPoolExecutor(processes, context, initializer=leave_with_parent) as pool:
        waiting: set[Future[list[dict[str, Any]]]] = set()
        queue = iter(lots)
        try:
            for lot in queue:
                waiting.add(pool.submit(_lot, lot, inputs[lot], links, gpu))
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
