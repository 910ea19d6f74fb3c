"""Which taper makes the tip fastest, or as fast as is wanted, and by which gesture.

Sought with the forward engine by CMA-ES (Hansen, arXiv:1604.00772; package `cma`). Some ten
continuous unknowns, a goal with a ridge along every limit and no slope of the engine are what it is
made for; `benchmarks/design.py` holds it against differential evolution and a plain draw.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from multiprocessing import get_context
from typing import Any

import numpy as np
import pandas as pd

from lashwave.quantities import Array, InputError, Line
from lashwave.study import one_throw, tapers, throw_family
from lashwave.study.crew import leave_with_parent, mapped
from lashwave.study.tapers import Stock

HAND = tuple(item.name for item in throw_family.INPUTS if item.whose == "hand")
CORD = ("cord_density", "stiffness", "damping", "tuft_area", "drag", "temperature", "pressure")
"""What is known of cord and air, or not: no unknown of the design."""
FINER = 2
"""Links are so many times shorter where a fold was too sharp for them."""
HOPELESS = 10.0
"""Cost of a throw that cannot be trusted."""
STRICT = 20.0
"""Cost of a limit passed, over the logarithm by which it is."""
KEPT = 1.01
"""Force over its limit up to which that counts as kept."""
SCOUTED = 0.25
"""Share of a search's throws that are drawn evenly before it."""
RACING = 4
"""Searches that begin."""
FEWEST = 60
"""Throws for each of them; fewer begin where there are not so many."""
APART = 0.2
"""Least distance of two beginnings over the unit cube's coordinates, RMS."""
SPREAD = 0.2
"""Standard deviation of a search's first generation in the unit cube."""
NEAR = 2e-3
"""A wanted speed is met within this share of it; of lines that do, the lightest is taken."""
DRAWN = 64
"""Throws from which an interval is read."""


@dataclass(frozen=True)
class Problem:
    """A hand, limits, and what is known of cord and air. All SI."""

    stock: Stock
    hand: dict[str, tuple[float, float]]
    """Of `HAND`: what the hand was seen to do; both alike where it does one thing only."""
    cord: dict[str, tuple[float, float]]
    """Of `CORD`: between which two each may lie; both alike where it is known."""
    force: float = np.inf
    """Largest mean force of the hand over 5 ms [N]."""
    energy: float = np.inf
    """Largest kinetic energy that the hand can give the line's arm [J]."""
    wanted: float | None = None
    """Speed of the tip [m/s]; None: the highest."""

    @property
    def free(self) -> tuple[str, ...]:
        """Inputs of the hand that may be chosen."""
        return tuple(name for name in HAND if self.hand[name][1] > self.hand[name][0])

    @property
    def names(self) -> tuple[str, ...]:
        """Of the unknowns."""
        return (*self.stock.names, *self.free)

    def middle(self) -> dict[str, float]:
        """The cord and air that the design is sought with, the middle of what is known."""
        return {name: 0.5 * (low + high) for name, (low, high) in self.cord.items()}


@dataclass(frozen=True)
class Made:
    """A line and the throw that it is for."""

    line: Line
    throw: dict[str, float]
    """Inputs of `throw_family`, with the taper of the family that is nearest to the line's."""


def made(problem: Problem, share: Array, cord: Mapping[str, float] | None = None) -> Made | None:
    """Line and gesture at a place (V,) of the unit cube, no unit; None where no line can be made.

    cord : what cord and air turn out to be; None: as is thought. Limits are kept by the line as it
    is thought to be: it is made once.
    """
    thought = problem.middle()
    count = len(problem.stock.names)
    hand = {name: low for name, (low, _) in problem.hand.items()}
    for name, x in zip(problem.free, share[count:], strict=True):
        low, high = problem.hand[name]
        hand[name] = low + (high - low) * float(x)
    arm = (1.0 - hand["follow"]) * throw_family.hand_speed(hand)
    most = min(problem.stock.mass[1], 2.0 * problem.energy / arm**2)
    shape = tapers.lightened(problem.stock, share[:count], thought["cord_density"], most)
    if shape is None:
        return None
    table = tapers.table_of(problem.stock, shape)
    if tapers.mass_of(*table, thought["cord_density"]) < problem.stock.mass[0]:
        return None
    true = thought | dict(cord or {})
    line = tapers.line_of(*table, true, problem.stock.reference)
    mass = tapers.mass_of(*table, true["cord_density"])
    return Made(line, _inputs(problem, line, mass, {**hand, "length": line.length}, true))


def _inputs(
    problem: Problem, line: Line, mass: float, hand: Mapping[str, float], cord: Mapping[str, float]
) -> dict[str, float]:
    """Inputs of `throw_family`, by the taper that is nearest to the line's."""
    ratio, power = tapers.nearest_taper(line)
    tip = float(line.diameter[-1])
    return {
        **hand, **{name: cord[name] for name in CORD}, "mass": mass, "tip_ratio": ratio,
        "taper": power, "stiffness": cord["stiffness"] * tip / problem.stock.reference,
    }  # fmt: skip


def thrown(
    problem: Problem, share: Array, cord: Mapping[str, float] | None = None
) -> dict[str, Any]:
    """Inputs, outputs, `bad` and `cost` of the throw at a place (V,) in the unit cube [no unit]."""
    one = made(problem, share, cord)
    if one is None:
        return {"bad": "no line within the limits", "kept": False, "cost": 2.0 * HOPELESS}
    row = _judged(one.line, one.throw)
    kept = not row["bad"] and row["peak_force"] <= KEPT * problem.force
    return {**row, "kept": kept, "cost": cost(problem, row)}


def _judged(line: Line, inputs: dict[str, float]) -> dict[str, Any]:
    """The throw, on shorter links where its fold is too sharp for the usual ones."""
    found = one_throw.checked(inputs, line=line)
    if "sharper" in str(found["bad"]):
        found = one_throw.checked(inputs, FINER * one_throw.LINKS, line)
    ends = {"butt_diameter": float(line.diameter[0]), "tip_diameter": float(line.diameter[-1])}
    return {**inputs, **ends, **found}


def cost(problem: Problem, row: Mapping[str, Any]) -> float:
    """What is made small: minus the logarithm of the speed, or the distance from what is wanted."""
    if row["bad"]:
        return HOPELESS
    speed, force = float(row["peak_speed"]), float(row["peak_force"])
    passed = STRICT * float(np.log(force / problem.force)) if force > problem.force else 0.0
    if problem.wanted is None:
        return passed - float(np.log(speed))
    off = abs(float(np.log(speed / problem.wanted)))
    return passed + max(off - NEAR, 0.0) + 0.01 * float(row["mass"] / problem.stock.mass[1])


Throws = Callable[[Array], list[dict[str, Any]]]


@contextmanager
def thrower(problem: Problem, processes: int | None = None) -> Iterator[Throws]:
    """A function that throws at many places (M, V) [no unit] at once, on all cores."""
    ask, count = partial(thrown, problem), processes or os.cpu_count() or 1
    if count == 1:
        yield lambda shares: [ask(share) for share in shares]
        return
    context = get_context("spawn")
    with ProcessPoolExecutor(count, context, initializer=leave_with_parent) as pool:
        try:
            yield lambda shares: list(pool.map(ask, list(shares)))
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


@dataclass(frozen=True)
class Sought:
    """What a search came to."""

    share: Array
    """(V,), the best place in the unit cube."""
    made: Made
    """Line and gesture there."""
    best: dict[str, Any]
    """Its throw, as of `thrown`."""
    rows: pd.DataFrame = field(repr=False)
    """Every throw that was made, in order; its place in the unit cube under `at NAME`."""


def sought(
    problem: Problem,
    throws: Throws,
    most: int = 1400,
    seed: int = 1,
    progress: Callable[[str, float], None] | None = None,
) -> Sought:
    """The best line and gesture: throws drawn evenly, then CMA-ES from several of the best of them.

    One search alone can end on a lesser hill. Several begin apart from each other and share the
    throws; twice on the way the worse half of them ends.

    Parameters
    ----------
    throws : of `thrower`.
    most : throws at most; the search ends earlier where nothing moves any longer.

    Raises
    ------
    InputError : no throw within the limits can be trusted.
    """
    import cma

    places = list(_scouts(problem, max(2, int(SCOUTED * most)), seed))
    rows = throws(np.array(places))
    how = {"bounds": [0.0, 1.0], "tolfun": 1e-5, "tolx": 1e-4, "verbose": -9}
    left, many = most - len(rows), RACING
    while many > 1 and left < many * FEWEST:
        many //= 2
    racing = [
        cma.CMAEvolutionStrategy(start, SPREAD, how | {"seed": seed + k})
        for k, start in enumerate(_apart(places, [row["cost"] for row in rows], many))
    ]
    stages = 1 + int(np.log2(many))
    ends = [most - left * (stages - 1 - k) // stages for k in range(stages)]
    while racing and len(rows) + sum(s.popsize for s in racing) <= most:
        asked = [[np.asarray(x) for x in search.ask()] for search in racing]
        found = throws(np.array([x for own in asked for x in own]))
        rows, places = rows + found, places + [x for own in asked for x in own]
        costs = iter(row["cost"] for row in found)
        for search, own in zip(racing, asked, strict=True):
            search.tell(own, [next(costs) for _ in own])
        racing = sorted((s for s in racing if not s.stop()), key=lambda s: float(s.best.f))
        passed = sum(len(rows) >= end for end in ends)
        racing = racing[: max(1, many >> passed)]
        if progress is not None:
            best = max((r["peak_speed"] for r in rows if not r["bad"]), default=np.nan)
            progress(f"{len(rows)} throws, best {best:.0f} m/s", min(1.0, len(rows) / most))
    return best_of(problem, rows, np.array(places))


def _apart(places: list[Array], costs: list[float], count: int) -> list[Array]:
    """The best of places (V,), a few, each at least APART from the better ones."""
    found: list[Array] = []
    for at in np.argsort(costs):
        near = [np.sqrt(np.mean((places[at] - one) ** 2)) for one in found]
        if len(found) < count and min(near, default=np.inf) >= APART:
            found.append(places[at])
    return found


def _scouts(problem: Problem, count: int, seed: int) -> Array:
    """(count, V) places drawn evenly; the diameters of a free taper in falling order."""
    from scipy.stats import qmc

    size, shape = len(problem.names), len(problem.stock.names)
    found = qmc.Sobol(size, rng=seed).random(1 << (count - 1).bit_length())[:count]
    if not problem.stock.sections:
        found[:, 1:shape] = np.sort(found[:, 1:shape], axis=1)[:, ::-1]
    return np.asarray(found)


def best_of(problem: Problem, rows: list[dict[str, Any]], places: Array) -> Sought:
    """The best of throws at places (M, V) [no unit].

    Raises
    ------
    InputError : none of them can be trusted.
    """
    table = pd.DataFrame(rows)
    best = int(table["cost"].to_numpy(float).argmin())
    one = made(problem, places[best])
    if one is None or rows[best]["bad"]:
        raise InputError(
            "limits", f"no throw within them can be trusted ({rows[best]['bad']})",
            "allow a thicker tip, another length or a faster hand",
        )  # fmt: skip
    at = pd.DataFrame(places, columns=[f"at {name}" for name in problem.names])
    return Sought(places[best], one, rows[best], pd.concat([table, at], axis=1))


def drawn(problem: Problem, throws: Throws, count: int, seed: int) -> Sought:
    """The best of lines and gestures drawn evenly from the same limits."""
    places = np.random.default_rng(seed).random((count, len(problem.names)))
    return best_of(problem, throws(places), places)


def cords(problem: Problem, count: int = DRAWN, seed: int = 0) -> list[dict[str, float]]:
    """What cord and air may turn out to be: scrambled Sobol' points within what is known."""
    from scipy.stats import qmc

    power = 1 << max(count - 1, 1).bit_length()
    points = qmc.Sobol(len(CORD), rng=seed).random(power)[:count]
    return [
        {n: problem.cord[n][0] + (problem.cord[n][1] - problem.cord[n][0]) * float(x)
         for n, x in zip(CORD, row, strict=True)}
        for row in points
    ]  # fmt: skip


def drawn_throws(
    problem: Problem, share: Array, count: int = DRAWN, processes: int | None = None, seed: int = 0
) -> pd.DataFrame:
    """The same line and gesture (V,) [no unit] with every cord and air of `cords`: a row each."""
    ask = partial(thrown, problem, share)
    return pd.DataFrame(mapped(ask, cords(problem, count, seed), processes))


def line_throws(
    problem: Problem, line: Line, throw: Mapping[str, float], count: int = DRAWN,
    processes: int | None = None, seed: int = 0,
) -> pd.DataFrame:  # fmt: skip
    """The same for another line, of this gesture."""
    hand = {name: throw[name] for name in (*HAND, "length")}
    ask = partial(_thrown_line, problem, line.station, line.diameter, hand)
    return pd.DataFrame(mapped(ask, cords(problem, count, seed), processes))


def _thrown_line(
    problem: Problem, station: Array, diameter: Array, throw: dict[str, float],
    cord: Mapping[str, float],
) -> dict[str, Any]:  # fmt: skip
    """The throw of a table (R,) [m] with a hand and a cord."""
    line = tapers.line_of(station, diameter, cord, problem.stock.reference)
    mass = tapers.mass_of(station, diameter, cord["cord_density"])
    return _judged(line, _inputs(problem, line, mass, throw, cord))


def cone_of(problem: Problem, one: Made) -> Line | None:
    """A cone of the same length, mass and tip; None where the line itself is thinner than one."""
    density = problem.middle()["cord_density"]
    tip, length = float(one.line.diameter[-1]), one.line.length
    x = np.linspace(0.0, 1.0, tapers.ROWS)
    # pi rho L (d^2 + d D + D^2) / 12 = m
    rest = 12.0 * one.throw["mass"] / (np.pi * density * length) - 0.75 * tip**2
    butt = np.sqrt(rest) - 0.5 * tip if rest > 0.0 else 0.0
    if butt <= tip:
        return None
    return tapers.line_of(length * x, butt + (tip - butt) * x, problem.middle(),
                          problem.stock.reference)  # fmt: skip
