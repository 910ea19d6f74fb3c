"""Ensembles on a graphics card: the plain source of `member` and `ledger`, a thread a member.

What those two and the laws that they call compile to on a CPU is compiled here for the card, from
the same lines, read anew: numbers written in `SINGLE` modules are taken in single precision, since
a card would otherwise fall into double. The one thing done otherwise is a power, for which a card
has an instruction and a CPU a table. Needs the extra `[gpu]`.
"""

from __future__ import annotations

import ast
import inspect
import math
import textwrap
import time
import warnings
from collections.abc import Callable
from functools import cache
from types import FunctionType
from typing import Any

import numpy as np
from numba import config, cuda

from lashwave.mechanics import drag, ledger, member_rows
from lashwave.mechanics.ledger import Desk, Given, ThrowResults, fill, tick
from lashwave.mechanics.member import back, forth
from lashwave.mechanics.member_rows import Shape
from lashwave.quantities import InputError

SINGLE = ("member", "triples", "drag", "bending", "lanes")
"""Modules of this room whose numbers are in single precision on the card."""
THREADS = 64
"""Threads of a block."""
RESIDENT, REGISTERS = 512, 128
"""Members at work on each of the card's processors, and registers of each: more of the one leave
less of the other."""


def power(x: float, by: float, octave: Any, part: Any, series: Any) -> float:
    """In place of `drag._power`."""
    return x**by  # type: ignore[no-any-return]


class _Single(ast.NodeTransformer):
    """Numbers with a point become names of numbers in single precision."""

    def __init__(self, names: dict[str, Any]) -> None:
        self.names = names

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        if not isinstance(node.value, float):
            return node
        name = f"_number_{len(self.names)}"
        self.names[name] = np.float32(node.value)
        return ast.copy_location(ast.Name(name, ast.Load()), node)


def _narrow(value: Any) -> Any:
    """A number, or an array of numbers, in single precision."""
    if isinstance(value, float):
        return np.float32(value)
    if isinstance(value, np.ndarray) and value.dtype == np.float64:
        return value.astype(np.float32)
    return value


class Translator:
    """Builds functions and all that they call for the card, each once."""

    def __init__(self, build: Callable[[Any], Any], swaps: dict[Any, Any]) -> None:
        self.build, self.swaps, self.made = build, swaps, {}  # type: ignore[var-annotated]

    def of(self, function: Any) -> Any:
        """The function for the card."""
        plain = getattr(function, "py_func", function)
        plain = self.swaps.get(plain, plain)
        if plain not in self.made:
            self.made[plain] = self.build(self.renewed(plain))
        return self.made[plain]

    def renewed(self, plain: FunctionType) -> Any:
        """The function from its source, in single precision where its module is, uncompiled."""
        single = plain.__module__.rpartition(".")[2] in SINGLE
        tree = ast.parse(textwrap.dedent(inspect.getsource(plain)))
        definition = tree.body[0]
        assert isinstance(definition, ast.FunctionDef)
        definition.decorator_list, definition.returns = [], None
        for argument in definition.args.args:
            argument.annotation = None
        used = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
        names: dict[str, Any] = {}
        if single:
            tree = ast.fix_missing_locations(_Single(names).visit(tree))
        ast.increment_lineno(tree, plain.__code__.co_firstlineno - 1)
        for name in used & plain.__globals__.keys():
            value = plain.__globals__[name]
            if isinstance(value, FunctionType) or hasattr(value, "py_func"):
                value = self.of(value)
            names[name] = _narrow(value) if single else value
        exec(compile(tree, plain.__code__.co_filename, "exec"), names)
        return names[plain.__name__]


def work(
    line: Any, motion: Any, knots: Any, pieces: Any, wanted: Any, fineness: Any, times: Any,
    lines: Any, motions: Any, steps: Any, hands: Any, poses: Any, books: Any, marks: Any,
    traces: Any, result: Any, place: Any, queue: Any, links: int, first: int, beyond: int,
) -> None:  # fmt: skip
    """The kernel: each thread computes members, one after another, until none is left.

    Its arrays are those of `Given`, `Desk`, `ThrowResults`; queue (1,) is the next member's number.
    """
    k: Any = cuda.grid(1)  # type: ignore[call-arg]
    given = Given(line, motion, knots, pieces, wanted, fineness, times)
    desk = Desk(lines, motions, steps, hands, poses, books, marks, traces)
    found, n = ThrowResults(result, place), Shape(links, first, beyond)
    count = line.shape[0]
    mine = cuda.atomic.add(queue, 0, 1)
    if mine < count:
        fill(given, desk, k, mine, n)
    while mine < count:
        forth(lines, motions, steps, hands, k, n)
        back(lines, motions, steps, hands, k, n)
        if tick(given, desk, found, k, n):
            mine = cuda.atomic.add(queue, 0, 1)
            if mine < count:
                fill(given, desk, k, mine, n)


@cache
def _ready(registers: int) -> Any:
    """The kernel with so many registers at most, compiled when it is first called."""
    try:
        there, why = bool(cuda.is_available()), ""
    except Exception as failure:  # whatever its packages raise where there is no driver
        there, why = False, f" ({failure})"
    if not there:
        raise InputError(
            "gpu", f"this machine has no graphics card to compute on{why}: it needs an NVIDIA card "
            "with its driver, and the extra lashwave[gpu]", "leave it out to compute on its cores",
        )  # fmt: skip
    single = cuda.jit(device=True, fastmath=True)
    double = cuda.jit(device=True)

    def build(function: Any) -> Any:
        return (single if function.__name__ not in vars(ledger) else double)(function)

    table: Any = drag._power
    translator = Translator(build, {getattr(table, "py_func", table): power})
    told = {} if vars(config)["ENABLE_CUDASIM"] else {"max_registers": registers}
    return cuda.jit(fastmath=True, **told)(translator.renewed(work))  # type: ignore[arg-type]


def compute(given: Given, n: Shape, most: int) -> tuple[ThrowResults, float]:
    """What comes of all members, and the seconds that the card was at work.

    n : what the members have in common. most : steps of a member at most.

    Raises
    ------
    InputError : there is no card.
    """
    kernel = _ready(REGISTERS)
    count, nodes = given.motion.shape[:2]
    device = getattr(cuda, "get_current_device", object)()  # a simulator has none
    processors = getattr(device, "MULTIPROCESSOR_COUNT", 1)
    blocks = min(processors * RESIDENT // THREADS, -(-count // THREADS))
    slots = blocks * THREADS

    def room(*shape: int, kind: Any = np.float32) -> Any:
        return cuda.device_array(shape, kind)

    desk = Desk(
        room(given.line.shape[1], slots), room(nodes * member_rows.MOTION_ROWS, slots),
        room(member_rows.STEP_ROWS, slots), room(member_rows.HAND_ROWS, slots),
        room(slots, 2, 6, 3, kind=np.float64), room(slots, ledger.BOOK, kind=np.float64),
        room(slots, ledger.MARKS, kind=np.int64), room(slots, most, 3, kind=np.float64),
    )  # fmt: skip
    found = ThrowResults(
        cuda.to_device(np.full((count, len(ledger.RESULTS)), math.nan)),
        cuda.to_device(np.full((count, given.times.size, nodes, 3), math.nan, np.float32)),
    )
    at = [cuda.to_device(np.ascontiguousarray(array)) for array in given]
    queue = cuda.to_device(np.zeros(1, np.int64))
    cuda.synchronize()
    began = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # few members leave processors idle
        kernel[blocks, THREADS](*at, *desk, *found, queue, *map(int, n))
    cuda.synchronize()
    seconds = time.perf_counter() - began
    there: Any = found
    return ThrowResults(*(array.copy_to_host() for array in there)), seconds
