"""From pictures and sound alone to the motion, beside the same from perfect points.

    python benchmarks/pictures.py --first 61 --count 3

Each trial is rendered (a minute), searched by `locate`, and reconstructed twice; a finished one is
one line of JSON in --cache, so that a stopped run goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from score import motion_scores

from lashwave import twin
from lashwave.files.pictures import read_pictures
from lashwave.files.trial import read_trial
from lashwave.twin.pictures import take
from lashwave.workbench import bench_pictures, console
from lashwave.workbench.locate import joined, search
from lashwave.workbench.pipeline import reconstruct_trial

PARTS = ("seen", "lost", "peak_lost")
QUANTITIES = ("peak_tip_speed", "peak_tip_speed_100us", "sonic_time", "clock_offset:tip-view")


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--first", type=int, default=60, help="first seed")
    parser.add_argument("--count", type=int, default=3)
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks"))
    return parser.parse_args()


def labels(found: Any, true: Any) -> dict[str, int]:
    """Marker samples with a label, and with another marker's (5 mm off its own place)."""
    given = wrong = 0
    for column, label in enumerate(found.labels):
        if label not in true.labels or np.isnan(found.station[column]):
            continue
        own = true.position[: found.time.size, true.labels.index(label)]
        off = np.linalg.norm(found.position[: own.shape[0], column] - own, axis=1)
        given += int(np.isfinite(off).sum())
        wrong += int((off > 5e-3).sum())
    of = int(np.isfinite(true.position[:, ~true.on_handle, 0]).sum())
    return {"given": given, "wrong": wrong, "of": of}


def one(seed: int) -> dict[str, Any]:
    """Render, search, reconstruct twice, score."""
    trial, truth = twin.make(seed, "throw", flashes=True)
    record: dict[str, Any] = {"seed": seed}
    taken = take(trial, truth)
    with tempfile.TemporaryDirectory() as place:
        bench_pictures.write(taken, console.silent, Path(place))
        begun = time.process_time()
        pictures = read_pictures(Path(place) / "trial")
        found = search(pictures, console.silent)
        located = joined(pictures, found)
        record["locate_s"] = round(time.process_time() - begun, 1)
        perfect = read_trial(Path(place) / "seen")
    record["labels"] = labels(located.markers, trial.markers)
    fast = found.cameras["tip-view"]
    true = {frame: (u, v) for _, frame, u, v in taken.found["tip"]}
    if fast.tip is not None:
        off = [fast.tip.uv[k] - true.get(int(f), np.nan) for k, f in enumerate(fast.tip.frame)]
        away = np.linalg.norm(off, axis=1)
        record["tip"] = {"found": len(away), "of": len(true), "median_px": float(np.median(away)),
                         "worst_px": float(away.max())}  # fmt: skip
    peak = truth.answers["peak_tip_speed_time"]
    for way, of in (("pictures", located), ("points", perfect)):
        fit, answers, _ = reconstruct_trial(of)
        scores = motion_scores(of, truth.path, fit, peak)
        record[way] = {part: scores.get(f"rms_{part}") for part in PARTS}
        record[way] |= {f"naive_{part}": scores.get(f"naive_{part}") for part in PARTS}
        for name in QUANTITIES:
            value, right = answers[name].value, taken.truth.answers[name]
            if value is not None and right is not None:
                record[way][name] = [value, right]
        for name, answer in answers.items():
            if name.startswith(("front_birth", "sound_delay")):
                record[way][name] = [answer.value, answer.sd]
    record["birth"] = taken.found["birth"]
    return record


def print_report(records: list[dict[str, Any]]) -> None:
    """A line for each figure and trial."""
    for record in records:
        print(f"\nseed {record['seed']}: locate took {record['locate_s']} s of CPU")
        label, tip = record["labels"], record.get("tip")
        print(f"  labels: {label['given']} of {label['of']} samples, {label['wrong']} wrong")
        if tip:
            print(f"  tip: {tip['found']} of {tip['of']} frames, off by {tip['median_px']:.2f} px "
                  f"in the median, {tip['worst_px']:.2f} at worst")  # fmt: skip
        for part in PARTS:
            a, b = record["pictures"][part], record["points"][part]
            if a and b:
                print(f"  position RMS {part}: {1e3 * a:.2f} mm from pictures, {1e3 * b:.2f} from "
                      f"points, ratio {a / b:.2f} (goal 1.5)")  # fmt: skip
        for name in QUANTITIES:
            for way in ("pictures", "points"):
                pair = record[way].get(name)
                if pair:
                    off = pair[0] - pair[1]
                    shown = f"{1e6 * off:+.1f} us" if "speed" not in name else f"{off:+.2f} m/s"
                    print(f"  {name} from {way}: {shown}")
        birth = record["birth"]
        for name, pair in record["pictures"].items():
            if name.startswith("front_birth_time") and birth:
                print(f"  front born {1e6 * (pair[0] - birth['time']):+.0f} us from the truth, "
                      f"stated sd {1e6 * pair[1]:.0f} us (goal 30)")  # fmt: skip
            elif name.startswith("front_birth_station") and birth:
                print(f"  front born {1e3 * (pair[0] - birth['station']):+.0f} mm from the truth "
                      f"(goal 30)")  # fmt: skip
            elif name.startswith("sound_delay"):
                print(f"  {name}: {1e6 * pair[0]:+.0f} us, sd {1e6 * pair[1]:.0f}")


def main() -> None:
    args = arguments()
    args.cache.mkdir(parents=True, exist_ok=True)
    kept = args.cache / "pictures.jsonl"
    lines = kept.read_text(encoding="utf-8").splitlines() if kept.exists() else []
    records = {record["seed"]: record for record in map(json.loads, lines)}
    for seed in range(args.first, args.first + args.count):
        if seed not in records:
            records[seed] = one(seed)
            with kept.open("a", encoding="utf-8") as file:
                file.write(json.dumps(records[seed]) + "\n")
    print_report([records[seed] for seed in sorted(records)])


if __name__ == "__main__":
    main()
