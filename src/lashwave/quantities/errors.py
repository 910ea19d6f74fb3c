"""What can go wrong, in the user's words."""

from __future__ import annotations

from pathlib import Path

LONGEST = 200
"""Characters shown of any one word: a key or a name of a hostile file may be endless."""


def _one_line(text: str) -> str:
    """The text on one line that a terminal and a page can show."""
    clean = "".join(c if c.isprintable() else " " if c.isspace() else "?" for c in text)
    return " ".join(w if len(w) <= LONGEST else w[: LONGEST - 3] + "..." for w in clean.split())


def counted(count: int, noun: str) -> str:
    """A number before its noun: 1 sample, 2 samples."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


class LashwaveError(Exception):
    """Base of every error this package raises on purpose."""


class InputError(LashwaveError):
    """The input is at fault: one line that says where, what is wrong and what would be right.

    Parameters
    ----------
    where : file the fault was found in (shown as given).
    problem : what is wrong.
    remedy : what would be right.
    line : 1-based line in the file, where there is one.
    field : the field, column or key at fault, where there is one.

    `part` is set by who reads a whole trial: the field of trial.toml that led there.
    """

    part: str | None = None

    def __init__(
        self,
        where: str | Path,
        problem: str,
        remedy: str,
        *,
        line: int | None = None,
        field: str | None = None,
    ) -> None:
        self.where, self.problem, self.remedy = str(where), problem, remedy
        self.line, self.field = line, field
        super().__init__(str(self))

    def __str__(self) -> str:
        place = self.where if self.line is None else f"{self.where}, line {self.line}"
        if self.field is not None:
            place += f", {self.field}"
        return _one_line(f"{place}: {self.problem}; {self.remedy}")


class OutOfRangeError(LashwaveError, ValueError):
    """A value lies outside the range in which a model holds."""


class NotConvergedError(LashwaveError):
    """The fit did not reach an answer that can be believed; the message says what was seen."""


class LostMotionError(NotConvergedError):
    """From some time on nothing can be said of the motion; what came before may be good.

    Parameters
    ----------
    since : the time [s], lab clock.
    """

    def __init__(self, message: str, since: float) -> None:
        super().__init__(message)
        self.since = since
