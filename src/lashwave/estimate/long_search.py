"""The search over a long record: one window after the other, each from where the last one stands.

A window is a search as a short trial has it, sweep and joint fit, of the sightings within it. It
begins `OVERLAP` before the end of the window before it, with that one's motion as its start, and
knows of all that came before as far as the equations there say it of its first two times. What
comes after a window it does not know, nor do windows agree on the shared parameters: the equations
of the whole record, solved afterwards from this start, see to both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from lashwave.estimate import normal as eq
from lashwave.estimate.anchor import Anchor
from lashwave.estimate.fusion import Progress, sought
from lashwave.estimate.joint import Joint
from lashwave.estimate.marker_tracks import without_jumps
from lashwave.estimate.path import Path, chords
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.stretches import cut_trial, may_fall_within, rows_within
from lashwave.estimate.sweep import SweepEnd, eliminated
from lashwave.quantities import Array, Clock, Mask, Trial

OVERLAP = 0.1
"""Of a window with the next [s]. What comes later moves a point by less than its deviation a few
hundredths of a second before the end; the equations of the whole take out the rest."""
CLOCK_WIDER = 3.0
"""A clock that a window found is sought again within this many of its deviations as found."""


class Shelf(Protocol):
    """Where finished parts of long work are kept."""

    def get(self, name: str) -> dict[str, Array] | None:
        """Arrays of any shape and any unit that were put there; None where there are none."""
        ...

    def put(self, name: str, arrays: dict[str, Array]) -> None:
        """Keep arrays, of any shape and any unit, under a name."""
        ...


class NoShelf:
    """Keeps nothing."""

    def get(self, name: str) -> dict[str, Array] | None:
        """None; of any shape and any unit."""
        return None

    def put(self, name: str, arrays: dict[str, Array]) -> None:
        """Drop arrays of any shape and any unit."""


@dataclass(frozen=True)
class SearchedWindow:
    """What is kept of a window."""

    head: Path
    """Up to where the next one begins."""
    front: SweepEnd
    """What the next one goes on from."""
    looseness: float
    mean: Array
    """(Q,), and `sd`: what is known beforehand of shared parameters; clocks as flashes bound
    them."""
    sd: Array
    clocks: Array
    """(C, 2) [s], offset and deviation of each camera's clock as found so far."""
    start: Anchor
    """Of the window's own first two times."""
    warnings: tuple[str, ...] = ()


class CutShelf:
    """The shelf of a record that was given up from some time on, for what is left of it.

    Windows that end before are the same; the last one, and all that is done with the whole, are
    not, and lie beside the whole record's.
    """

    def __init__(self, whole: Shelf, time: Array, length: float) -> None:
        """time : (T,) [s], of the samples that are left; length : of a window [s]."""
        self._whole = whole
        edges = window_edges(time, length)
        self._same = {window_name(i) for i in range(edges.size - 2)}
        self._until = f"until-{float(time[-1]):.6f}-"

    def _own(self, name: str) -> str:
        return name if name in self._same else self._until + name

    def get(self, name: str) -> dict[str, Array] | None:
        """Arrays of any shape and any unit that were put there; None where there are none."""
        return self._whole.get(self._own(name))

    def put(self, name: str, arrays: dict[str, Array]) -> None:
        """Keep arrays, of any shape and any unit, under a name."""
        self._whole.put(self._own(name), arrays)


def window_name(number: int) -> str:
    """On a shelf."""
    return f"window-{number:05d}"


def window_edges(time: Array, length: float) -> Array:
    """(M + 1,) [s], where windows of a length [s] begin and end in samples at (T,) [s].

    The last has half of it more or less. So the others stay where they are when a record is cut.
    """
    begin, end = float(time[0]), float(time[-1])
    windows = max(1, round((end - begin) / length))
    return np.append(begin + length * np.arange(windows), end)


def searched(
    setup: FitSetup, length: float, shelf: Shelf, tell: Progress
) -> tuple[Path, Array, Anchor, tuple[str, ...]]:
    """The path of the whole record, its looseness (K,) [1], what is known of its first two times,
    and warnings of clocks.

    length : of a window [s]. Windows that lie on the shelf are not sought again. The priors of
    clocks in `setup` become those that the cameras' flashes leave.

    Raises
    ------
    NotConvergedError : of the first window that cannot be solved.
    """
    smooth, jumps = without_jumps(setup.trial)
    edges = window_edges(setup.trial.markers.time, length)
    heads: list[Path] = []
    loose: list[Array] = []
    said: list[str] = []
    last: SearchedWindow | None = None
    start: Anchor | None = None
    for i in range(edges.size - 1):
        name, share = window_name(i), (i / (edges.size - 1), 1.0 / (edges.size - 1))
        kept = shelf.get(name)
        if kept is None or not suits(setup, kept):
            step = _told(tell, f"window {i + 1} of {edges.size - 1}", *share)
            final = i == edges.size - 2
            last = _sought_window(setup, smooth, jumps, last, float(edges[i + 1]), final, step)
            shelf.put(name, as_kept(last))
        else:
            last = from_kept(setup, kept)
        setup.shared.mean[:], setup.shared.sd[:] = last.mean, last.sd
        heads.append(last.head)
        loose.append(np.full(last.head.time.size, last.looseness))
        said += last.warnings
        start = start or last.start
    path = Path(
        np.concatenate([p.time for p in heads]), np.concatenate([p.base for p in heads]),
        np.concatenate([p.direction for p in heads]), heads[-1].shared,
        np.concatenate([p.chord for p in heads]),
    )  # fmt: skip
    assert start is not None  # there is a first window
    return path, np.concatenate(loose), start, tuple(dict.fromkeys(said))


def _told(tell: Progress, what: str, done: float, share: float) -> Progress:
    def step(stage: str, part: float) -> None:
        tell(f"{what}: {stage}", done + share * part)

    return step


def _sought_window(
    setup: FitSetup,
    smooth: Trial,
    jumps: Mask,
    before: SearchedWindow | None,
    stop: float,
    final: bool,
    tell: Progress,
) -> SearchedWindow:
    """The window that ends at `stop` [s] and, but for the last one, `OVERLAP` after it."""
    time = setup.trial.markers.time
    begin = float(time[0]) if before is None else float(before.front.window.time[0])
    rows = rows_within(time, begin, stop + (0.0 if final else OVERLAP))
    clocks = stated_clocks(setup.trial) if before is None else before.clocks
    points = {
        c.name: may_fall_within(c, clock, float(time[rows.start]), float(time[rows.stop - 1]))
        for c, clock in zip(setup.trial.cameras, clocks, strict=True)
    }
    own = replace(setup, trial=_timed(cut_trial(setup.trial, rows, points), clocks, time))
    calm = _timed(cut_trial(smooth, rows, points), clocks, time)
    _, joint = sought(own, calm, jumps[rows], tell, None if before is None else before.front)
    return _kept_of(own, joint, clocks, stop, final)


def stated_clocks(trial: Trial) -> Array:
    """(C, 2) [s], offset and deviation of each camera's clock as stated."""
    return np.array([(c.clock.offset, c.clock.offset_sd) for c in trial.cameras]).reshape(-1, 2)


def _timed(trial: Trial, clocks: Array, samples: Array) -> Trial:
    """Cameras with the clocks found so far, and with every flash of the record's samples."""
    cameras = tuple(
        replace(
            c,
            clock=Clock(float(offset), float(sd), c.clock.drift_sd),
            flash_times=c.strobe(samples) if c.flashes.size else c.flash_times,
        )
        for c, (offset, sd) in zip(trial.cameras, clocks, strict=True)
    )
    return replace(trial, cameras=cameras)


def _kept_of(
    setup: FitSetup, joint: Joint, clocks: Array, stop: float, final: bool
) -> SearchedWindow:
    """What is kept of a window that was solved."""
    path = joint.path
    held = joint.held or setup
    mean, sd, found = setup.shared.mean.copy(), setup.shared.sd.copy(), clocks.copy()
    for i, camera in enumerate(setup.trial.cameras):
        if not camera.frame.size:
            continue
        column = setup.shared.index(f"clock_offset:{camera.name}")
        if clocks[i, 1] == camera.clock.offset_sd and held.shared.sd[column] < sd[column]:
            mean[column], sd[column] = held.shared.mean[column], held.shared.sd[column]
        unit = np.zeros(path.time.size * setup.unknowns + mean.size)
        unit[path.time.size * setup.unknowns + column] = 1.0
        own = np.sqrt(eq.solve(joint.factor, unit)[path.time.size * setup.unknowns + column])
        found[i] = path.shared[column], min(clocks[i, 1], CLOCK_WIDER * float(own))
    at = path.time.size
    if not final:
        at = int(np.searchsorted(path.time, stop))
        at = min(max(at, 4), path.time.size - 6)
    anchor = joint.anchor
    if not final:
        anchor = eliminated(
            held, path, joint.density, joint.weights, joint.anchor, at, eq.BandMemory()
        )
    front = SweepEnd(path.part(min(at, path.time.size - 2), path.time.size), anchor)
    return SearchedWindow(
        path.part(0, at), front, joint.looseness, mean, sd, found, joint.anchor,
        joint.clock_warnings,
    )  # fmt: skip


_PATH = ("time", "base", "direction", "shared")
_ANCHOR = ("matrix", "offset", "base", "direction", "axes")


def as_kept(window: SearchedWindow) -> dict[str, Array]:
    """A window as arrays, of any shape and any unit."""
    arrays = {f"head_{name}": getattr(window.head, name) for name in _PATH}
    arrays |= {f"front_{name}": getattr(window.front.window, name) for name in _PATH}
    arrays |= {f"anchor_{name}": getattr(window.front.anchor, name) for name in _ANCHOR}
    arrays |= {f"start_{name}": getattr(window.start, name) for name in _ANCHOR}
    arrays |= {"mean": window.mean, "sd": window.sd, "clocks": window.clocks}
    arrays |= {"looseness": np.array(window.looseness), "warnings": np.array(window.warnings, str)}
    return arrays


def suits(setup: FitSetup, kept: dict[str, Array]) -> bool:
    """Whether a window that was kept, of any shape and any unit, has these links and parameters."""
    links, shared = kept["head_direction"].shape[1], kept["mean"].size
    return bool(links == setup.chain.links and shared == setup.shared.mean.size)


def from_kept(setup: FitSetup, kept: dict[str, Array]) -> SearchedWindow:
    """The window back from arrays of `as_kept`, of any shape and any unit."""

    def path(which: str) -> Path:
        time, base, direction, shared = (kept[f"{which}_{name}"] for name in _PATH)
        return Path(time, base, direction, shared, chords(setup, direction))

    anchor, start = (
        Anchor(*(kept[f"{which}_{name}"] for name in _ANCHOR)) for which in ("anchor", "start")
    )
    return SearchedWindow(
        path("head"), SweepEnd(path("front"), anchor), float(kept["looseness"]), kept["mean"],
        kept["sd"], kept["clocks"], start, tuple(str(word) for word in kept["warnings"]),
    )  # fmt: skip
