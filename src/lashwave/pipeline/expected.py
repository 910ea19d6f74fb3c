"""How long `reconstruct` will take, and in how much memory: a rough guess from short records.

Of the record's length alone, for nothing is known yet of how fast the line turns: a swing has a
time every 1.5 ms, a throw half as many again and more, most of them about the crack.
"""

from __future__ import annotations

from dataclasses import dataclass

LONG = 3.0
"""A record that lasts longer [s] is taken in windows, where the user says nothing else."""
ALONE = 25.0
"""CPU time of the report, and of what else a record of any length takes [s]."""
SWING, THROW = 60.0, 350.0
"""CPU time of each second of a record [s]: of a swing, carried over from throws by its times, and
of the hardest throws. Most throws take 90."""
OWN, EACH = 0.4, 1.4
"""Memory: the program's own [GB], and of each second of a record that is taken at once [GB]; of one
in windows, of a window."""
GROWN = 0.017
"""What each second of a record adds that is taken in windows [GB]; `benchmarks/duration.py`."""


def in_words(seconds: float) -> str:
    """A time [s] to two digits at most."""
    if seconds < 90.0:
        return f"{max(round(seconds), 1)} s"
    if seconds < 5400.0:
        return f"{round(seconds / 60.0)} min"
    return f"{seconds / 3600.0:.1f} h"


@dataclass(frozen=True)
class Expected:
    """What a record is expected to take."""

    cpu: tuple[float, float]
    """[s], at least and at most."""
    memory: float
    """[GB], at most."""

    @property
    def words(self) -> str:
        """In a sentence."""
        low, high = (in_words(one) for one in self.cpu)
        return f"reconstruct: {low} to {high} of CPU, up to {self.memory:.1f} GB"


def expected_of(seconds: float) -> Expected:
    """Of a record of that length [s]."""
    memory = OWN + EACH * seconds if seconds <= LONG else OWN + EACH + GROWN * seconds
    return Expected((ALONE + SWING * seconds, ALONE + THROW * seconds), memory)
