"""Labels found on simulated throws with 10 % ghosts, from points without any, and labels mended.

    python benchmarks/labels.py [--first 100] [--count 20] [--out out/labels]

One JSON file a seed is kept, so that a stopped run goes on where it was; the table is of all files.
A point's truth is the marker within 2 mm of it; all others are ghosts. A label is wrong where the
point that carries it is another marker or a ghost. Points without a label are wrong nowhere.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import figures
import numpy as np
from figures import TWIN, Figure

from lashwave.labels import label_markers, repair
from lashwave.quantities.sightings import Markers
from lashwave.quantities.trial import Trial
from lashwave.twin.bench import RTOL, observe
from lashwave.twin.throws import ROUGH, chain_of, draw_throw, run
from lashwave.twin.truth import Truth, of_trajectory, output_times
from lashwave.twin.views import Wishes

NEAR = 2e-3
"""[m], over 6 standard deviations of a coordinate."""


def stripped(markers: Markers) -> Markers:
    """The record with every point unlabelled."""
    seen = np.isfinite(markers.position[..., 0])
    sample = np.nonzero(seen)[0]
    return replace(
        markers,
        position=np.full_like(markers.position, np.nan),
        unlabelled_time=np.concatenate([markers.unlabelled_time, markers.time[sample]]),
        unlabelled_position=np.concatenate([markers.unlabelled_position, markers.position[seen]]),
    )


def score(markers: Markers, place: np.ndarray) -> tuple[int, int]:
    """Labels on the line, and how many of them are wrong, against true places (T, L, 3)."""
    position = markers.position[:, : place.shape[1]]
    labelled = np.isfinite(position[..., 0])
    away = np.linalg.norm(position - place, axis=-1)
    return int(labelled.sum()), int((labelled & (away > NEAR)).sum())


def true_points(bare: Markers, place: np.ndarray) -> int:
    """Points that are a marker on the line, not a ghost and not on the handle."""
    sample = np.rint((bare.unlabelled_time - bare.time[0]) * bare.rate).astype(int)
    away = np.linalg.norm(bare.unlabelled_position[:, None] - place[sample], axis=-1)
    return int((away.min(axis=1) < NEAR).sum())


def thrown(seed: int) -> tuple[Trial, Truth]:
    """A throw on coarse links (30 to 11 mm), for labels do not ask for more: some seconds."""
    scene = draw_throw(seed, spacing=ROUGH)
    chain = chain_of(scene.lash, ROUGH)
    times = output_times(scene.duration, None)
    path = of_trajectory(run(scene, chain, times, RTOL), chain.station)
    return observe(scene, path, Wishes(camera=False, ghosts=0.1, swaps=6))


def one(seed: int) -> dict[str, int]:
    trial, truth = thrown(seed)
    markers, grip = trial.markers, trial.line.handle_length
    place = truth.path.at(markers.time, truth.scene.lash.station)[0]
    given, given_wrong = score(markers, place)
    bare = stripped(markers)
    found, wrong = score(label_markers(bare, grip)[0], place)
    mended, mended_wrong = score(repair(markers, grip)[0], place)
    return {
        "seed": seed,
        "points": given + len(markers.unlabelled_time),
        "true": true_points(bare, place),
        "labelled": found,
        "labelled wrong": wrong,
        "given wrong": given_wrong,
        "mended": mended,
        "mended wrong": mended_wrong,
    }


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--out", type=Path, default=Path("out/labels"))
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    for seed in range(asked.first, asked.first + asked.count):
        file = asked.out / f"{seed}.json"
        if not file.exists():
            file.write_text(json.dumps(one(seed)), encoding="utf-8")
    rows = [json.loads(f.read_text(encoding="utf-8")) for f in sorted(asked.out.glob("*.json"))]
    print("".join(f"{name:>15}" for name in rows[0]))
    for row in rows:
        print("".join(f"{value:15d}" for value in row.values()))
    wrong = sum(row["labelled wrong"] for row in rows)
    share = sum(row["labelled"] for row in rows) / sum(row["true"] for row in rows)
    print(f"{len(rows)} trials: {wrong} wrong labels, {100 * share:.0f} % of true points labelled")
    if asked.keep:
        each = 100 * np.array([row["labelled"] / row["true"] for row in rows])
        off = np.array([row["labelled wrong"] for row in rows], dtype=float)
        figures.save("labels", "Labels of unlabelled points, 10 % ghosts", [
            Figure("wrong labels a trial", TWIN, len(rows), float(np.median(off)),
                   float(off.max()), "0", not wrong),
            Figure("true points labelled [%]", TWIN, len(rows), float(np.median(each)),
                   float(each.min())),
        ])  # fmt: skip


if __name__ == "__main__":
    main()
