"""Numbers that count what is done with them: operations and reads of a kernel's plain source."""

from __future__ import annotations

from typing import Any

import numpy as np


class Tally:
    """What was counted."""

    def __init__(self) -> None:
        self.operations, self.moved = 0, 0


class Number(float):
    """A number whose sums, products and quotients are counted."""

    tally: Tally

    def _made(self, value: float) -> Number:
        made = Number(value)
        made.tally = self.tally
        self.tally.operations += 1
        return made


def _counting(name: str) -> Any:
    plain = getattr(float, name)
    return lambda self, other: self._made(plain(self, float(other)))


for _name in ("add", "sub", "mul", "truediv"):
    for _side in ("", "r"):
        setattr(Number, f"__{_side}{_name}__", _counting(f"__{_side}{_name}__"))


class Numbers:
    """An array (rows, members) that hands out counting numbers, and counts what is moved."""

    def __init__(self, array: np.ndarray, tally: Tally) -> None:
        self.array, self.tally = array, tally

    def __getitem__(self, index: Any) -> Number:
        made = Number(self.array[index])
        made.tally = self.tally
        self.tally.moved += 1
        return made

    def __setitem__(self, index: Any, value: float) -> None:
        self.array[index] = value
        self.tally.moved += 1
