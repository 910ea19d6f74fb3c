"""Fronts of rendered throws against the truth, and an overlay of those in real frames.

    python benchmarks/fronts.py --first 220 --count 20        # rendered throws
    python benchmarks/fronts.py --real OUT.png                # real frames, drawn

A throw of the virtual bench is seen by its schlieren camera alone and searched as `locate` does,
about the frames in which the tip is in view by the truth, whose own search would take longer. Then
births are fitted with draws about the true motion, so that no throw need be reconstructed:
each draw is late by 20 us, moves 1 % faster or slower, stands 4 mm aside in each coordinate and has
its clock off by 3 us (standard deviations), and so does their middle. A finished throw is one line
of JSON in --cache. Real frames: ../shared/data/schlieren_2khz (MIT; see its SOURCE.md).
"""

from __future__ import annotations

import argparse
import json
import pickle
from pathlib import Path
from typing import Any

import cv2
import figures
import numpy as np
from figures import TWIN, Figure
from front_scores import births, points_against, print_report

from lashwave import twin
from lashwave.emission.flanks import renumbered
from lashwave.mechanics.air import sound_speed
from lashwave.points.shocks import (
    at_speed,
    crossing_fronts,
    pieces_in,
    points_of,
    wandering_fronts,
)
from lashwave.quantities.sightings import Fronts
from lashwave.twin.pictures import BenchPictures, take

REAL = Path(__file__).parents[1].parent / "shared" / "data" / "schlieren_2khz"
AROUND = (-0.5e-3, 1.2e-3)
"""Frames are searched from before the tip comes into view to after it left it [s]: sound crosses
the view in about 1 ms."""
LEAST = 10
"""Frames that a front of the real record must be seen in to be drawn."""


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--first", type=int, default=220, help="first seed")
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks"))
    parser.add_argument(
        "--films",
        type=Path,
        help="keep throws and what was found in them here, to fit their births again",
    )
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    parser.add_argument("--draw", type=Path, help="folder for overlays of the rendered frames")
    parser.add_argument("--real", type=Path, metavar="OUT.png", help="draw the real frames, only")
    return parser.parse_args()


class Held:
    """A film whose images are rendered once."""

    def __init__(self, film: Any) -> None:
        self.film, self.kept = film, {}
        self.size, self.bits = film.size, film.bits

    def __len__(self) -> int:
        return len(self.film)

    def __iter__(self) -> Any:
        return (self[k] for k in range(len(self)))

    def __getitem__(self, frame: int) -> Any:
        if frame not in self.kept:
            self.kept[frame] = self.film[frame]
        return self.kept[frame]


def searched(seed: int, films: Path | None) -> tuple[BenchPictures, Held, Fronts]:
    """A throw, its film, and the fronts that `locate` finds in it."""
    kept = films / f"{seed}.pkl" if films else None
    if kept is not None and kept.exists():
        taken, fronts = pickle.loads(kept.read_bytes())
        return taken, Held(taken.fast[0]), fronts
    trial, truth = twin.make(seed, "throw", flashes=True)
    taken = take(trial, truth)
    taken = BenchPictures(taken.trial, taken.truth, taken.fast, (), (), taken.found)
    camera, film = taken.trial.cameras[0], Held(taken.fast[0])
    tip = [row[1] for row in taken.found["tip"]]
    first, last = (
        int(f + late * camera.rate) for f, late in zip((tip[0], tip[-1]), AROUND, strict=True)
    )
    chosen = range(max(first, 0), min(last + 1, len(film)))
    pace = at_speed(camera, float(sound_speed(taken.trial.air)))
    fronts = points_of(crossing_fronts(film, pace, chosen=chosen))
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps((taken, fronts)))
    return taken, film, fronts


def one(seed: int, films: Path | None, draw: Path | None) -> dict[str, Any]:
    """Render, search, fit births, score."""
    cv2.setNumThreads(1)
    taken, film, fronts = searched(seed, films)
    record: dict[str, Any] = {"seed": seed, "mach": taken.truth.answers["peak_tip_mach"]}
    record["birth"] = taken.found["birth"]
    if not fronts.frame.size:
        return record | {"points": None, "births": {}}
    record["points"] = points_against(taken, fronts)
    record["births"], flanks = births(taken, fronts)
    if draw is not None:
        overlay(film, renumbered(fronts, flanks), taken, draw / f"fronts-{seed}.png")
    return record


def overlay(film: Held, fronts: Fronts, taken: BenchPictures, out: Path) -> None:
    """Six frames with the points of fronts by number, and the true front as a thin line."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    frames = np.unique(fronts.frame)
    if frames.size > 6:
        frames = frames[np.linspace(2, frames.size - 1, 6).astype(int)]
    figure, axes = plt.subplots(2, 3, figsize=(21, 14), layout="constrained")
    colours = plt.get_cmap("tab20")
    true = np.array([row[1:] for row in taken.found["fronts"]]).reshape(-1, 5)
    for frame, axis in zip(frames, axes.flat, strict=False):
        axis.imshow(film[int(frame)], cmap="gray", vmin=40, vmax=220)
        axis.set_axis_off()
        axis.set_title(f"frame {frame}", fontsize=10)
        for side in (0, 1):
            row = true[(true[:, 0] == frame) & (true[:, 1] == side)]
            axis.plot(*row[:, 3:].T, "-", lw=0.6, color="yellow")
        here = fronts.frame == frame
        for number in np.unique(fronts.number[here]):
            own = here & (fronts.number == number)
            axis.plot(*fronts.uv[own].T, ".", ms=3, color=colours(int(number) % 20))
            axis.text(*fronts.uv[own][0], str(number), color=colours(int(number) % 20))
    out.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(out, dpi=60)
    plt.close(figure)


def real(out: Path) -> None:
    """Find fronts in the real frames, print how far they wander along their normal, draw."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    cv2.setNumThreads(1)
    frames = [cv2.imread(str(f), cv2.IMREAD_UNCHANGED) for f in sorted(REAL.glob("frame_*.png"))]
    fronts = [f for f in wandering_fronts(frames) if f.frame.size >= LEAST]
    figure, axes = plt.subplots(3, 4, figsize=(20, 14), layout="constrained")
    colours = plt.get_cmap("tab10")
    for k, axis in enumerate(axes.flat):
        axis.imshow(frames[k], cmap="gray", vmin=0, vmax=255)
        axis.set_axis_off()
        axis.set_title(f"frame {k}", fontsize=10)
        for front in fronts:
            for piece in pieces_in(front, k):
                axis.plot(*piece.uv.T, ".", ms=3, color=colours(front.number % 10))
            for piece in pieces_in(front, k)[:1]:
                middle, colour = piece.uv[len(piece.uv) // 2], colours(front.number % 10)
                axis.text(*middle, str(front.number), fontsize=11, color=colour)
    figure.savefig(out, dpi=70)
    for front in fronts:
        place = np.concatenate([[0.0], np.cumsum(front.step)])
        where = front.pieces[0][0].uv.mean(axis=0).round()
        wander, step = np.ptp(place), np.abs(front.step).max()
        seen = f"front {front.number} near {where}: {front.frame.size} frames"
        print(f"{seen}, moves {wander:.1f} px, largest step {step:.1f} px")


def main() -> None:
    args = arguments()
    if args.real is not None:
        real(args.real)
        return
    args.cache.mkdir(parents=True, exist_ok=True)
    kept = args.cache / "fronts.jsonl"
    lines = kept.read_text(encoding="utf-8").splitlines() if kept.exists() else []
    records = {record["seed"]: record for record in map(json.loads, lines)}
    for seed in range(args.first, args.first + args.count):
        if seed not in records:
            records[seed] = one(seed, args.films, args.draw)
            with kept.open("a", encoding="utf-8") as file:
                file.write(json.dumps(records[seed]) + "\n")
    asked = range(args.first, args.first + args.count)
    found = [records[seed] for seed in asked]
    print_report(found)
    if args.keep:
        figures.save("fronts", "Fronts in rendered frames, births by draws", front_figures(found))


def front_figures(records: list[dict[str, Any]]) -> list[Figure]:
    """Births by draws about a disturbed motion, for the docs."""
    rows = [r["births"]["draws"] for r in records if "time" in r["births"].get("draws", {})]
    if not rows:
        return []
    time = np.abs([1e6 * r["time"][0] for r in rows])
    place = np.abs([1e3 * r["place_off"] for r in rows])
    held = sum(r["time"][2] <= 0.0 <= r["time"][3] for r in rows)
    return [
        Figure("time of a front's birth [us]", TWIN, len(rows), float(np.median(time)),
               float(time.max()), "30", bool(np.median(time) <= 30), f"{held} of {len(rows)}"),
        Figure("place of a front's birth [mm]", TWIN, len(rows), float(np.median(place)),
               float(place.max()), "30", bool(np.median(place) <= 30)),
    ]  # fmt: skip


if __name__ == "__main__":
    main()
