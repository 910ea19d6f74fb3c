"""One throw of a campaign, in a process of its own or on another machine.

What is done with a trial folder is handed over as a callable, `answered` unless a test has another.
"""

from __future__ import annotations

import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lashwave.files import DiskFullError, campaign_place as at
from lashwave.quantities import LashwaveError

Known = tuple[tuple[str, float, float], ...]
"""What other throws say of a throw's parameters, as `Options.known` takes it."""
Work = Callable[[Path, Path, Known], dict[str, Any]]
"""From a trial folder to a folder of answers; what it says of them goes into the throw's mark."""

Check = Callable[[Path], str]
"""From a trial folder to why it cannot be used, "" where it can."""


@dataclass(frozen=True)
class Errand:
    """A throw to be done."""

    name: str
    folder: Path
    out: Path
    """Of the campaign."""
    key: str
    """Of inputs and options."""
    earlier: tuple[str, ...] = ()
    """Why it failed before."""
    known: Known = ()

    @property
    def place(self) -> Path:
        """Where its answers go."""
        return self.out / at.THROWS / self.name


def answered(folder: Path, out: Path, known: Known = ()) -> dict[str, Any]:
    """Check and reconstruct a trial folder into `out`; what it says of how good that is."""
    from lashwave.estimate import Options
    from lashwave.pipeline.reconstruct import reconstruct_folder
    from lashwave.pipeline.throw_facts import facts_of

    return facts_of(reconstruct_folder(folder, out, options=Options(known=known)))


def checked(folder: Path) -> str:
    """Why a trial cannot be used, "" where it can; its pictures are read, not searched."""
    from lashwave.files import read_pictures
    from lashwave.pipeline.checkup import inspect
    from lashwave.pipeline.labelled import labelled

    try:
        fault = inspect(labelled(read_pictures(folder).trial)).fault
    except LashwaveError as problem:
        return str(problem)
    return "" if fault is None else f"{fault.about}: {fault.text}"


def looked_at(check: Check, errand: Errand) -> at.Mark | None:
    """Check a throw: None where it can be used, else the mark of its failure."""
    reason = check(errand.folder)
    if reason:
        return lost(errand, reason)
    at.note(errand.out, "checked", errand.name, key=errand.key)
    return None


def here(work: Work, errand: Errand) -> at.Mark:
    """Do a throw on this machine and put what came of it in its place.

    One that is done stays as it is, and so does one that this run has found unusable.
    """
    known = at.read_mark(errand.place)
    same = known is not None and known.key == errand.key
    if known is not None and same and (known.state == at.DONE or known.earlier == errand.earlier):
        return known
    at.note(errand.out, "started", errand.name, key=errand.key)
    begun = time.monotonic()
    facts: dict[str, Any] = {}

    def mark(state: str = at.DONE, reason: str = "") -> at.Mark:
        spent = round(time.monotonic() - begun, 3)
        return at.Mark(errand.key, state, reason, spent, facts, errand.earlier)

    reason = _tried(
        lambda: at.keep(
            errand.place,
            mark,
            lambda answers: facts.update(work(errand.folder, answers, errand.known)),
        )
    )
    if reason:
        facts.clear()
        at.keep_failure(errand.place, mark(at.FAILED, reason))
    at.note(errand.out, at.FAILED if reason else at.DONE, errand.name, key=errand.key)
    return mark(at.FAILED if reason else at.DONE, reason)


def afar(
    work: Work, name: str, content: bytes, known: Known
) -> tuple[bytes, dict[str, Any], str, float]:
    """Do a throw whose trial folder came as an archive; its answers as one, or why it failed.

    Returns
    -------
    answers : an archive, empty where it failed. facts : what the work said. reason, seconds.
    """
    begun = time.monotonic()
    facts: dict[str, Any] = {}
    with tempfile.TemporaryDirectory(prefix="lashwave-campaign-") as made:
        folder, answers = Path(made) / name, Path(made) / "answers-of" / at.ANSWERS
        at.unpacked(content, folder)
        answers.parent.mkdir()
        reason = _tried(lambda: facts.update(work(folder, answers, known)))
        back = b"" if reason else at.packed(at.inputs_of(answers))
    spent = round(time.monotonic() - begun, 3)
    # A path on another machine says nothing to who reads the reason.
    return back, {} if reason else facts, reason.replace(f"{made}/", ""), spent


def arrived(errand: Errand, sent: tuple[bytes, dict[str, Any], str, float]) -> at.Mark:
    """Put in its place what came back from afar."""
    content, facts, reason, seconds = sent
    state = at.FAILED if reason else at.DONE
    mark = at.Mark(errand.key, state, reason, seconds, facts, errand.earlier)
    if reason:
        at.keep_failure(errand.place, mark)
    else:
        at.keep(errand.place, lambda: mark, lambda answers: at.unpacked(content, answers))
    at.note(errand.out, state, errand.name, key=errand.key)
    return mark


def lost(errand: Errand, reason: str) -> at.Mark:
    """Put in its place that a throw could not be done for a reason outside of it."""
    mark = at.Mark(errand.key, at.FAILED, reason, earlier=errand.earlier)
    at.keep_failure(errand.place, mark)
    at.note(errand.out, at.FAILED, errand.name, key=errand.key)
    return mark


def _tried(act: Callable[[], object]) -> str:
    """Why an act failed, "" where it did not; a full disk is nobody's failure and goes on up."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            act()
    except DiskFullError:
        raise
    except LashwaveError as problem:
        return str(problem)
    except MemoryError:
        return "out of memory"
    except Exception as problem:  # one throw must not end the others
        return f"unexpected {type(problem).__name__}: {problem}"
    return ""


def step(given: tuple[Callable[[Errand], at.Mark | None], Errand]) -> at.Mark | None:
    """One thing done with a throw: what became of it, or None where nothing is known yet."""
    act, errand = given
    return act(errand)
