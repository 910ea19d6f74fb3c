"""Real lines, both ends gripped and moved: what the command makes of markers it never saw.

    python benchmarks/real_lines.py --count 36
    python benchmarks/real_lines.py --count 12 --line straight
    python benchmarks/real_lines.py --report

Motion capture at 100 Hz of flexible lines moved by two robot arms. `SOURCE.md` beside the data says
whose it is; it is no part of this project and stays where it is. Of each take the second or so
around its fastest moment becomes a trial folder, and `lashwave reconstruct --withhold` is run on it
twice, as a user would run it:

* run A withholds every second marker between the gripped pairs, throughout;
* run B withholds all markers between the gripped pairs for half a second.

Judged are the withheld samples: root mean square of the distance in space, the share of
coordinates within their 95 % interval, the CRPS. Beside the estimate stand the naive practice (A:
straight lines between the markers seen; B: each marker splined over time) and a cubic spline in arc
length through the markers seen.

The folder says what an experimenter would know: the stations (the distances between markers, from
the other takes of the line, as a tape would give them), the noise that makers of such systems
state, a guess of mass and diameter. It says nothing of stiffness, of how well the stations are
known, or of how far markers stand off the axis.

What limits it shows when the real line is replaced, its ends moved as they were: `--line straight`
by a simulated one that is straight at rest and has its markers on its axis, `--line off-axis` by
the same with markers as far off it as those of the real line seem to be.

A hidden marker's own place off the axis is told by nothing that is seen. `floor` is what is left of
the best forecast there can be: that place alone, the axis known exactly.

Each finished take and run is one line of JSON in --cache, so that a stopped run goes on where it
was; `--report` only prints what is there.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import figures
import numpy as np
from real_lines_report import NOTES, figures_of, print_run, refused
from scipy.interpolate import CubicSpline

from lashwave.estimate import Options
from lashwave.estimate.ends import driven_end
from lashwave.estimate.setup import set_up
from lashwave.files import write_trial
from lashwave.mechanics.simulation import Law, Medium, simulate
from lashwave.quantities.arrays import Array, Mask
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Markers
from lashwave.quantities.trial import Trial

DATA = Path(__file__).resolve().parents[2] / "shared/data/dlo_mocap_100hz"
RATE = 100.0
"""[Hz]"""
GRIPPED = 2
"""Markers on each gripped end."""
SPAN = 1.2
"""Length of a crop [s]."""
GAP, EDGE = 0.5, 0.2
"""Length of run B's gap, and what is left of the crop before and after it at least [s]."""
CLEAN = (250.0, 0.02)
"""Largest acceleration [m/s2] and largest error of a distance [m] of a take worth using."""
TUNED = ("DLO1/61", "DLO2/42", "DLO2/111", "DLO3/119")
"""Takes on which guesses were tried; left out of the report."""
DENSITY, DIAMETER = 0.07, 7e-3
"""Guessed mass [kg/m] and diameter [m] of a line. The stiffness guessed from these is near that
which suits the stiffest of the lines; only its ratio to the mass counts."""
MARKER_SD = 0.3e-3
"""Noise of a coordinate [m], as makers of such systems state it."""
LINES = ("real", "straight", "off-axis")
SHARED = 1.7
"""Variance of a marker's error against the curve through its neighbours, over its own part of it:
theirs are in it too."""


@dataclass(frozen=True)
class Take:
    """A crop of one take."""

    line: str
    number: int
    position: Array
    """(T, M, 3) [m]"""
    station: Array
    """(M,) [m], from the other takes, as is the next."""
    off: float
    """Root mean square distance of markers from the axis of a line straight at rest [m]."""
    speed: float
    """Largest of any marker [m/s]."""
    fastest: int
    """Its frame in the crop."""

    @property
    def name(self) -> str:
        return f"{self.line}/{self.number}"

    @property
    def time(self) -> Array:
        """(T,) [s]"""
        return np.arange(self.position.shape[0]) / RATE


def _unit(vector: Array) -> Array:
    size = np.linalg.norm(vector, axis=-1, keepdims=True)
    return np.asarray(vector / np.maximum(size, 1e-12))


def axes_at(position: Array, station: Array, marker: int) -> tuple[Array, Array]:
    """The smooth curve at a marker through all others (T, 3), and axes (T, 3, 3) that go with it.

    Axes: along the line, toward the inside of the bend, and across its plane.
    """
    others = np.arange(station.size) != marker
    eye = np.eye(station.size - 1)
    weight = CubicSpline(station[others], eye, bc_type="natural")(station[marker])
    curve = np.einsum("m,tma->ta", weight, position[:, others])
    before, after = position[:, marker - 1], position[:, marker + 1]
    along = _unit(after - before)
    inward = 0.5 * (before + after) - curve
    inward = _unit(inward - (inward * along).sum(-1, keepdims=True) * along)
    return curve, np.stack([along, inward, np.cross(along, inward)], axis=1)


def off_axis(position: Array, station: Array) -> float:
    """Root mean square distance [m] at which markers stay from the axis, across it.

    position : (T, M, 3). Counted is what lasts: the mean over time in axes that go with the line.
    Markers stand off the axis, and a line that lay coiled keeps bends of its own.
    """
    square = []
    for i in range(GRIPPED, station.size - GRIPPED):
        curve, axes = axes_at(position, station, i)
        error = np.einsum("txa,ta->tx", axes, position[:, i] - curve)
        square.append((error[:, 1:].mean(axis=0) ** 2).sum())
    return float(np.sqrt(np.mean(square) / SHARED))


def takes_of(file: Path) -> list[Take]:
    """The clean takes of one line, fastest first, each cropped about its fastest moment."""
    with np.load(file) as data:
        position, numbers = data["pos_um"] * 1e-6, data["take"]
    apart = np.linalg.norm(np.diff(position, axis=-2), axis=-1)  # neighbours'
    usual = np.median(apart, axis=(0, 1))
    speed = np.linalg.norm(np.diff(position, axis=1), axis=-1).max(-1) * RATE
    jerk = np.linalg.norm(np.diff(position, 2, axis=1), axis=-1).max((1, 2)) * RATE**2
    clean = (jerk < CLEAN[0]) & (np.abs(apart - usual).max((1, 2)) < CLEAN[1])
    count = round(SPAN * RATE) + 1
    found = []
    for i in np.flatnonzero(clean):
        others = clean & (np.arange(clean.size) != i)
        station = np.concatenate([[0.0], np.cumsum(apart[others].mean(axis=(0, 1)))])
        peak = int(speed[i].argmax())
        start = int(np.clip(peak - count // 2, 0, position.shape[1] - count))
        found.append(
            Take(
                line=file.stem,
                number=int(numbers[i]),
                position=position[i, start : start + count],
                station=station,
                off=off_axis(position[others, ::10].reshape(-1, *position.shape[2:]), station),
                speed=float(speed[i].max()),
                fastest=peak - start,
            )
        )
    return sorted(found, key=lambda take: -take.speed)


def chosen(data: Path, count: int) -> list[Take]:
    """The fastest clean takes, as many of each line, without those tuned on."""
    lines = [[t for t in takes_of(f) if t.name not in TUNED] for f in sorted(data.glob("DLO*.npz"))]
    each = -(-count // max(1, len(lines)))
    rounds = [take for rank in zip(*(line[:each] for line in lines), strict=False) for take in rank]
    return rounds[:count]


def withheld(take: Take, run: str) -> Mask:
    """(T, M), the samples that the estimate is not shown."""
    count, markers = take.position.shape[:2]
    inner = np.arange(GRIPPED, markers - GRIPPED)
    mask = np.zeros((count, markers), dtype=bool)
    if run == "A":
        mask[:, inner[1::2]] = True
        return mask
    long, edge = round(GAP * RATE), round(EDGE * RATE)
    start = int(np.clip(take.fastest - long // 2, edge, count - edge - long))
    mask[start : start + long, inner] = True
    return mask


def trial_of(take: Take) -> Trial:
    """What an experimenter would write down of a take."""
    station = take.station
    markers = Markers(
        time=take.time,
        labels=tuple(f"M{i:02d}" for i in range(station.size)),
        position=take.position,
        sd=np.full(take.position.shape[:2], MARKER_SD),
        station=station,
    )
    line = Line(
        station=np.array([0.0, station[-1]]),
        diameter=np.full(2, DIAMETER),
        linear_density=np.full(2, DENSITY),
        handle_length=float(station[GRIPPED - 1]),
        ends="held",
    )
    return Trial(name=take.name.replace("/", "-"), line=line, markers=markers)


def asked(take: Take, run: str) -> list[str]:
    """What `--withhold` is told, so that it hides what `withheld` says."""
    mask = withheld(take, run)
    if run == "A":
        return [f"M{i:02d}" for i in np.flatnonzero(mask.any(axis=0))]
    when = take.time[mask.any(axis=1)]
    return [f"{when[0] - 0.5 / RATE:.4f}:{when[-1] + 0.5 / RATE:.4f}"]


EXACT = 0.3e-3
"""How well the places of markers on a simulated line are known [m]."""


def simulated(take: Take, off: float) -> Take:
    """The take with a simulated line in place of the real one, its ends moved as they were.

    off : root mean square distance of markers from its axis [m], each in a direction of its own
    that goes with the line.
    """
    rng = np.random.default_rng(take.number)
    trial = trial_of(take)
    setup = set_up(trial, Options(spacing_held=0.02, spacing_clamp=0.01))
    chain = setup.chain
    motion = simulate(
        chain, driven_end(setup, far=False).seen(), Medium(*setup.air), setup.gravity, Law(),
        take.time, far=driven_end(setup, far=True).seen(), rtol=1e-4,
    )  # fmt: skip
    at = take.station + rng.normal(0.0, EXACT, take.station.size)
    at[[0, -1]] = take.station[[0, -1]]
    j = np.clip(np.searchsorted(chain.station, at, side="right") - 1, 0, chain.links - 1)
    share = ((at - chain.station[j]) / chain.length[j])[:, None]
    axis = (1 - share) * motion.position[:, j] + share * motion.position[:, j + 1]
    place = axis + rng.normal(0.0, MARKER_SD, axis.shape)
    for i in range(GRIPPED, at.size - GRIPPED):
        arm = rng.normal(0.0, off / np.sqrt(2.0), 2)
        place[:, i] += np.einsum("x,txa->ta", arm, axes_at(axis, at, i)[1][:, 1:])
    return replace(take, position=place, off=max(off, EXACT))


def along_line(take: Take, mask: Mask, straight: bool) -> Array:
    """(T, M, 3) through the markers seen in each frame: straight lines, or a cubic spline."""
    found = np.empty_like(take.position)
    for i, hidden in enumerate(mask):
        s, place = take.station[~hidden], take.position[i, ~hidden]
        if straight:
            found[i] = np.stack([np.interp(take.station, s, place[:, a]) for a in range(3)], -1)
        else:
            found[i] = CubicSpline(s, place, bc_type="natural")(take.station)
    return found


def over_time(take: Take, mask: Mask) -> Array:
    """(T, M, 3): each marker splined over time across its gap."""
    found = take.position.copy()
    for label in np.flatnonzero(mask.any(axis=0)):
        have = ~mask[:, label]
        found[:, label] = CubicSpline(take.time[have], take.position[have, label])(take.time)
    return found


def _rms(error: Array, mask: Mask) -> float:
    return float(np.sqrt((error**2).sum(axis=-1)[mask].mean()))


def changing(take: Take, error: Array, mask: Mask) -> float:
    """Root mean square [m] of the part of error (T, M, 3) that changes within the take.

    Each marker's mean in axes that go with the line is taken off: its own place off the axis and
    the line's own bends, which nothing that was seen can tell.
    """
    left = []
    for i in np.flatnonzero(mask.any(axis=0)):
        axes = axes_at(take.position, take.station, i)[1]
        own = np.einsum("txa,ta->tx", axes, error[:, i])[mask[:, i]]
        left.append(((own - own.mean(axis=0)) ** 2).sum(-1))
    return float(np.sqrt(np.concatenate(left).mean()))


def one(take: Take, run: str, most: float = 1800.0) -> dict[str, Any]:
    """One take and run, scored; a failure is a record too. Lengths in m; at most so long [s]."""
    mask = withheld(take, run)
    record: dict[str, Any] = {"take": take.name, "run": run, "speed": round(take.speed, 2)}
    plain = {"arc": along_line(take, mask, straight=False)}
    plain["naive"] = along_line(take, mask, True) if run == "A" else over_time(take, mask)
    for name, place in plain.items():
        record[f"rms_{name}"] = _rms(place - take.position, mask)
    record["changing_arc"] = changing(take, plain["arc"] - take.position, mask)
    record["floor"] = take.off if run == "A" else 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_trial(folder / "trial", trial_of(take))
        call = [
            sys.executable,
            "-m",
            "lashwave.workbench.cli",
            "reconstruct",
            folder / "trial",
            "--quiet",
        ]
        call += [part for what in asked(take, run) for part in ("--withhold", what)]
        begun = time.time()
        done = subprocess.run(
            [*map(str, call), "--out", str(folder / "answers")],
            capture_output=True, text=True, timeout=most, check=False,
        )  # fmt: skip
        record["wall_s"] = round(time.time() - begun, 1)
        if done.returncode:
            record["failed"] = done.stderr.strip()[-300:]
            return record
        said = json.loads((folder / "answers" / "summary.json").read_text(encoding="utf-8"))
    of = said["withheld"]["pooled"]["m"]
    assert of["coordinates"] == 3 * mask.sum(), "another set was withheld"
    record |= {"rms": np.sqrt(3.0) * of["rms"], "sd": np.sqrt(3.0) * of["sd"]}
    record |= {"cover": of["coverage95"], "crps": of["crps"], "fits": said["withheld"]["fits"]}
    record["stiffness"] = said["quantities"]["stiffness_scale"]["value"]
    record["warnings"] = said["warnings"]
    return record


def arguments() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=36, help="takes")
    parser.add_argument("--line", choices=LINES, default="real")
    parser.add_argument("--run", choices=("A", "B"), action="append", help="one of the runs only")
    parser.add_argument("--data", type=Path, default=DATA)
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks"))
    parser.add_argument("--report", action="store_true", help="print what is cached, run nothing")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    return parser.parse_args()


def main() -> None:
    args = arguments()
    args.cache.mkdir(parents=True, exist_ok=True)
    kept = args.cache / f"real-lines-{args.line}.jsonl"
    lines = kept.read_text(encoding="utf-8").splitlines() if kept.exists() else []
    records = {(r["take"], r["run"]): r for r in map(json.loads, lines)}
    if not args.report and not args.data.is_dir():
        print(f"no data in {args.data}: nothing to run")
    for real in [] if args.report else chosen(args.data, args.count):
        take = real
        if args.line != "real":
            take = simulated(real, real.off if args.line == "off-axis" else 0.0)
        for run in args.run or ("A", "B"):
            if (take.name, run) in records:
                continue
            record = one(take, run)
            records[take.name, run] = record
            with kept.open("a", encoding="utf-8") as file:
                file.write(json.dumps(record) + "\n")
            short = record.get("failed") or {
                name: round(1e3 * record[name], 1) for name in ("rms", "rms_arc", "rms_naive")
            }
            print(f"{take.name} {run}: {short}", flush=True)
    for run in ("A", "B"):
        print_run(list(records.values()), run)
    if args.keep:
        rows = [f for run in ("A", "B") for f in figures_of(list(records.values()), run)]
        said = (*NOTES, *refused(list(records.values())))
        figures.save(f"real-lines-{args.line}", "Lines held at both ends, measured", rows, said)


if __name__ == "__main__":
    main()
