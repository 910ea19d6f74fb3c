"""A campaign as it runs: what is finished stays, what is not is done, and the table fills."""

from __future__ import annotations

import contextlib
import fcntl
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lashwave import __version__
from lashwave.files import Listed, campaign_place as at, read_record, read_summary, replace_file
from lashwave.mechanics import cores
from lashwave.pipeline import console, throw_of_campaign as one
from lashwave.quantities import InputError
from lashwave.study import CampaignThrow, crew

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

SCHEMA = 1
STAMPS, LOCK = "stamps.json", "lock"
CHECK = "check:"


@dataclass(frozen=True)
class How:
    """How a campaign is carried out."""

    workers: int | None = None
    """Processes at once; None: one a core."""
    scheduler: str | None = None
    """Address of a Dask scheduler, in place of processes of this machine."""
    again: bool = False
    """Try failed throws again."""
    work: one.Work = one.answered
    check: one.Check = one.checked
    known: Mapping[str, one.Known] = field(default_factory=dict)
    """By trial, what other throws say of its parameters."""


@dataclass
class Campaign:
    """The throws of a campaign, each as it stands."""

    listed: tuple[Listed, ...]
    out: Path
    how: How
    changed: Callable[[list[CampaignThrow]], None]
    """Called with all throws from time to time while they fill."""
    throws: dict[str, CampaignThrow] = field(default_factory=dict)
    seconds: list[float] = field(default_factory=list)
    """What each finished throw took."""

    def run(self, show: console.Progress) -> list[CampaignThrow]:
        """Do all that is not done; the throws in their order.

        Raises
        ------
        InputError : another campaign runs in the same folder, or no scheduler answers.
        """
        self.out.mkdir(parents=True, exist_ok=True)
        with _alone(self.out):
            show("looking at what is there", 0.0)
            errands = self._errands()
            if errands:
                self._do(errands, show)
        return self._all()

    def standing(self) -> list[CampaignThrow]:
        """The throws as they stand, nothing done."""
        self._errands()
        return self._all()

    def _all(self) -> list[CampaignThrow]:
        return [self.throws[each.name] for each in self.listed]

    def _errands(self) -> dict[str, one.Errand]:
        """What is left to do, by name; `throws` holds the rest."""
        ask = asked(self.how.work)
        keys = keys_of(self.listed, self.out, lambda name: f"{ask} {self.how.known.get(name, ())}")
        found: dict[str, one.Errand] = {}
        for listed in self.listed:
            place = self.out / at.THROWS / listed.name
            mark = at.read_mark(place)
            fresh = mark is not None and mark.key == keys[listed.name]
            self.throws[listed.name] = self._throw(listed, mark if fresh else None)
            if mark is not None and fresh and not (mark.state == at.FAILED and self.how.again):
                continue
            earlier: tuple[str, ...] = ()
            if mark is not None and fresh:
                earlier = (*mark.earlier, mark.reason)
            found[listed.name] = one.Errand(
                listed.name,
                listed.folder,
                self.out,
                keys[listed.name],
                earlier,
                self.how.known.get(listed.name, ()),
            )
        return found

    def _throw(self, listed: Listed, mark: at.Mark | None) -> CampaignThrow:
        base = CampaignThrow(listed.name, listed.specimen, listed.thrower, None, listed.conditions)
        if mark is None:
            return base
        if mark.state == at.FAILED:
            return replace(base, state=at.FAILED, reason=mark.reason)
        self.seconds.append(mark.seconds)
        answers = self.out / at.THROWS / listed.name / at.ANSWERS
        summary, date = read_summary(answers), read_record(answers)["provenance"].get("date")
        return replace(
            base, state=at.DONE, facts=mark.facts, answers=summary.answers,
            warnings=summary.warnings, specimen=listed.specimen or summary.specimen,
            thrower=listed.thrower or summary.thrower, date=date if isinstance(date, str) else None,
        )  # fmt: skip

    def _do(self, errands: dict[str, one.Errand], show: console.Progress) -> None:
        listed = {each.name: each for each in self.listed}
        self._say(show)
        written = time.monotonic()
        for name, mark in self._ends(errands):
            self.throws[name] = self._throw(listed[name], mark)
            self._say(show)
            if time.monotonic() - written > 3.0:
                self.changed(self._all())
                written = time.monotonic()

    def _say(self, show: console.Progress) -> None:
        """How many are done, and how long the rest will take by what a throw took so far."""
        states = [t.state for t in self.throws.values()]
        ended, failed = len(states) - states.count("waiting"), states.count(at.FAILED)
        text = f"{ended} of {len(states)} throws, {failed} failed"
        if self.seconds:
            mean = sum(self.seconds) / len(self.seconds)
            at_once = self.how.workers or cores()
            text += f", {_spoken(mean * (len(states) - ended) / at_once)} left"
        show(text, ended / len(states))

    def _ends(self, errands: dict[str, one.Errand]) -> Iterator[tuple[str, at.Mark]]:
        """What becomes of each errand, as it comes: all are checked before the first is done."""
        workers = self.how.workers or cores()
        checks: dict[str, Any] = {
            CHECK + name: (partial(one.looked_at, self.how.check), errand)
            for name, errand in self._unchecked(errands)
        }
        if self.how.scheduler is None:
            do = partial(one.here, self.how.work)
            steps = checks | {name: (do, errand) for name, errand in errands.items()}
            ended = set()
            for end in crew.local(one.step, steps, workers):
                name = end.name.removeprefix(CHECK)
                mark = one.lost(errands[name], end.lost) if end.lost else end.result
                if mark is not None and name not in ended:
                    ended.add(name)
                    yield name, mark
            return
        for end in crew.local(one.step, checks, workers):
            name = end.name.removeprefix(CHECK)
            mark = one.lost(errands[name], end.lost) if end.lost else end.result
            if mark is not None:
                del errands[name]
                yield name, mark
        yield from self._afar(errands, self.how.scheduler)

    def _unchecked(self, errands: dict[str, one.Errand]) -> list[tuple[str, one.Errand]]:
        """Those that no earlier run has found usable."""
        known = {(r.get("trial"), r.get("key")) for r in at.read_log(self.out)
                 if r.get("event") == "checked"}  # fmt: skip
        return [(n, e) for n, e in errands.items() if (n, e.key) not in known]

    def _afar(self, errands: dict[str, one.Errand], address: str) -> Iterator[tuple[str, at.Mark]]:
        def sent(errand: one.Errand) -> tuple[str, bytes, one.Known]:
            at.note(self.out, "started", errand.name, key=errand.key)
            return errand.name, at.packed(at.inputs_of(errand.folder)), errand.known

        job = partial(one.afar, self.how.work)
        makers = {name: partial(sent, errand) for name, errand in errands.items()}
        for end in crew.cluster(job, makers, address, f"lashwave {__version__}"):
            errand = errands[end.name]
            mark = one.lost(errand, end.lost) if end.lost else one.arrived(errand, end.result)
            yield end.name, mark


def asked(work: one.Work) -> str:
    """What is asked of every throw, in words that change where its answers would."""
    if work is not one.answered:
        return f"{work!r}".split(" at 0x")[0]
    from lashwave.estimate import Options

    return f"lashwave {__version__}, {SCHEMA}, {Options()!r}"


def keys_of(listed: Sequence[Listed], out: Path, ask: Callable[[str], str]) -> dict[str, str]:
    """A key for each throw, of the content of its files and of what is asked.

    Files whose size and time of change are as before are not read again.
    """
    try:
        kept = json.loads((out / STAMPS).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        kept = {}
    new: dict[str, Any] = {}
    for each in listed:
        files = at.inputs_of(each.folder)
        stamps, old = at.stamps_of(files), kept.get(each.name, {})
        same = isinstance(old, dict) and old.get("stamps") == stamps
        new[each.name] = {
            "stamps": stamps, "content": old["content"] if same else at.content_of(files)
        }  # fmt: skip
    if new != kept:
        text = json.dumps(new)
        replace_file(out / STAMPS, lambda aside: aside.write_text(text, encoding="utf-8"))
    return {
        name: sha256(f"{ask(name)} {known['content']}".encode()).hexdigest()[:32]
        for name, known in new.items()
    }


@contextlib.contextmanager
def _alone(out: Path) -> Iterator[None]:
    """Alone in a campaign's folder; a killed run holds it no longer."""
    with (out / LOCK).open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InputError(
                "--out", f"another campaign is running in {out}", "let it end, or stop it"
            ) from None
        except OSError:  # a file system that knows no locks
            pass
        yield


def _spoken(seconds: float) -> str:
    """A length of time to two figures, in the unit that a person would use."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
