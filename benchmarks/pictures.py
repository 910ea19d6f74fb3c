"""From pictures and sound alone to the motion, beside the same from perfect points.

    python benchmarks/pictures.py --first 61 --count 3 [--camera-rate 20010] [--stop sightings]

Three stages a trial, each kept in its folder in --cache, so that a stopped run loses one stage at
most and each can be looked at:

1. sightings: rendered (a minute), searched by `locate` (a minute). `located` and `seen` are trial
   folders of what was found and of perfect points; sightings.pkl holds them with the truth,
   sightings.json how far labels, tips and flashes are off;
2. points.json: the reconstruction from perfect points, or why it was refused;
3. pictures.json: the same from what was found. Beside both the tip's motion, WAY-tip.npz.
"""

from __future__ import annotations

import argparse
import json
import pickle
import tempfile
import time
from pathlib import Path
from typing import Any

import figures
import numpy as np
from figures import TWIN, Figure
from score import motion_scores

from lashwave import twin
from lashwave.files import read_pictures, read_trial, write_trial
from lashwave.pipeline import console, joined, reconstruct_trial, search
from lashwave.quantities.errors import LashwaveError
from lashwave.twin.instrument_setting import Setting
from lashwave.twin.pictures import take
from lashwave.workbench import bench_pictures

PARTS = ("seen", "lost", "peak_lost")
QUANTITIES = ("peak_tip_speed", "peak_tip_speed_100us", "sonic_time", "clock_offset:tip-view")
STAGES = ("sightings", "points", "pictures")
CAMERA = "tip-view"


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--first", type=int, default=60, help="first seed")
    parser.add_argument("--count", type=int, default=3)
    parser.add_argument("--camera-rate", type=float, help="[Hz]; out of step with the markers")
    parser.add_argument("--frames", type=int, default=120, help="of the fast camera's film")
    parser.add_argument("--stop", choices=STAGES, default=STAGES[-1], help="last stage to run")
    parser.add_argument("--report", action="store_true", help="print what is cached, run nothing")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
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


def tips(fast: Any, found: dict[str, Any]) -> dict[str, Any]:
    """Located tips beside the true ones; a row each: frame, error in u and v, deviation [px]."""
    true = {frame: np.array([u, v]) for _, frame, u, v in found["tip"]}
    record: dict[str, Any] = {"of": len(true), "rows": []}
    if fast.tip is None:
        return record
    for frame, uv, sd in zip(fast.tip.frame, fast.tip.uv, fast.tip.sd, strict=True):
        off = uv - true.get(int(frame), np.full(2, np.nan))
        record["rows"].append([int(frame), float(off[0]), float(off[1]), float(sd)])
    return record


def sighted(seed: int, rate: float | None, frames: int, folder: Path) -> None:
    """Stage 1: render, search, keep what was found, what is perfect and what is true."""
    trial, truth = twin.make(seed, "throw", flashes=True, camera_rate=rate)
    taken = take(trial, truth, Setting(frames=frames))
    with tempfile.TemporaryDirectory() as place:
        bench_pictures.write(taken, console.silent, Path(place))
        begun = time.process_time()
        pictures = read_pictures(Path(place) / "trial")
        found = search(pictures, console.silent, folder / "finds")
        located = joined(pictures, found)
        took = round(time.process_time() - begun, 1)
        perfect = read_trial(Path(place) / "seen")
        for name, one in (("located", located), ("seen", perfect)):
            if not (folder / name).exists():
                write_trial(folder / name, one, Path(place) / "trial")
    fast, offset = found.cameras[CAMERA], taken.truth.answers[f"clock_offset:{CAMERA}"]
    facts: dict[str, Any] = {"seed": seed, "locate_s": took}
    facts["labels"] = labels(located.markers, trial.markers)
    facts["tip"] = tips(fast, taken.found)
    if fast.clock is not None and offset is not None:
        facts["flash_clock"] = {
            "off_frames": (fast.clock.offset - offset) * located.cameras[0].rate,
            "sd_frames": fast.clock.offset_sd * located.cameras[0].rate,
            "resolved": fast.clock.resolved,
        }
    facts["birth"], facts["notes"] = taken.found["birth"], list(found.notes)
    truths = {"path": truth.path, "answers": taken.truth.answers}
    with (folder / "sightings.pkl").open("wb") as file:
        pickle.dump({"pictures": located, "points": perfect, "truth": truths}, file)
    (folder / "sightings.json").write_text(json.dumps(facts, indent=1), encoding="utf-8")


def fitted(way: str, folder: Path) -> None:
    """Stages 2 and 3: reconstruct from one kind of sightings, score, keep; a refusal too."""
    with (folder / "sightings.pkl").open("rb") as file:
        kept = pickle.load(file)
    trial, truth = kept[way], kept["truth"]
    begun = time.process_time()
    record: dict[str, Any] = {}
    try:
        fit, answers, _ = reconstruct_trial(trial)
    except LashwaveError as problem:
        record["refused"] = f"{type(problem).__name__}: {problem}"
    else:
        scores = motion_scores(trial, truth["path"], fit, truth["answers"]["peak_tip_speed_time"])
        record |= {part: scores.get(f"rms_{part}") for part in PARTS}
        for name in QUANTITIES:
            value, right = answers[name].value, truth["answers"][name]
            if value is not None and right is not None:
                record[name] = [value, right, answers[name].sd]
        for name, answer in answers.items():
            if name.startswith(("shock_birth", "sound_")):
                record[name] = [answer.value, answer.sd]
        record["warnings"] = list(fit.warnings)
        np.savez_compressed(
            folder / f"{way}-tip.npz",
            time=fit.time,
            position=fit.position[:, -1],
            velocity=fit.velocity[:, -1],
            weight=fit.residuals.camera_weight.get(CAMERA, np.empty(0)),
            residual=fit.residuals.camera.get(CAMERA, np.empty((0, 2))),
        )
    record["cpu_s"] = round(time.process_time() - begun, 1)
    (folder / f"{way}.json").write_text(json.dumps(record, indent=1), encoding="utf-8")


def carry_out(seed: int, args: argparse.Namespace, folder: Path) -> None:
    """The stages that are not there yet, up to the last that is asked for."""
    folder.mkdir(parents=True, exist_ok=True)
    for stage in STAGES[: STAGES.index(args.stop) + 1]:
        if (folder / f"{stage}.json").exists():
            continue
        if stage == "sightings":
            sighted(seed, args.camera_rate, args.frames, folder)
        else:
            fitted(stage, folder)


def print_sightings(facts: dict[str, Any]) -> None:
    """What was found beside what is true."""
    print(f"\nseed {facts['seed']}: locate took {facts['locate_s']} s of CPU")
    label, tip = facts["labels"], facts["tip"]
    print(f"  labels: {label['given']} of {label['of']} samples, {label['wrong']} wrong")
    if tip["rows"]:
        rows = np.array(tip["rows"])
        away = np.linalg.norm(rows[:, 1:3], axis=1)
        ratio = np.abs(rows[:, 1:3] / rows[:, 3:])
        print(f"  tip: {len(rows)} of {tip['of']} frames, off by {np.nanmedian(away):.2f} px in "
              f"the median, {np.nanmax(away):.2f} at worst, {np.nanmax(ratio):.1f} of its own "
              f"deviation; {int(np.isnan(away).sum())} where none is in view")  # fmt: skip
    clock = facts.get("flash_clock")
    if clock:
        told = "told" if clock["resolved"] else "not told"
        print(f"  clock from flashes alone: {clock['off_frames']:+.3f} frames, stated sd "
              f"{clock['sd_frames']:.3f}, which flash is which {told}")  # fmt: skip


def print_fits(facts: dict[str, Any], fits: dict[str, dict[str, Any]]) -> None:
    """Both reconstructions beside the truth and each other."""
    for way, fit in fits.items():
        if "refused" in fit:
            print(f"  from {way} REFUSED: {fit['refused']}")
    good = {way: fit for way, fit in fits.items() if "refused" not in fit}
    if len(good) == 2:
        for part in PARTS:
            a, b = good["pictures"][part], good["points"][part]
            if a and b:
                print(f"  position RMS {part}: {1e3 * a:.2f} mm from pictures, {1e3 * b:.2f} from "
                      f"points, ratio {a / b:.2f} (goal 1.5)")  # fmt: skip
    for name in QUANTITIES:
        for way, fit in good.items():
            if name in fit:
                value, right, sd = fit[name]
                scale, unit = (1.0, "m/s") if "speed" in name else (1e6, "us")
                print(f"  {name} from {way}: {scale * (value - right):+.2f} {unit}, stated sd "
                      f"{scale * sd:.2f}")  # fmt: skip
    birth = facts["birth"]
    for name, pair in good.get("pictures", {}).items():
        if name.startswith("shock_birth_time") and birth and pair[0] is not None:
            print(f"  front born {1e6 * (pair[0] - birth['time']):+.0f} us from the truth, "
                  f"stated sd {1e6 * pair[1]:.0f} us (goal 30)")  # fmt: skip
        elif name.startswith("shock_birth_station") and birth and pair[0] is not None:
            print(f"  front born {1e3 * (pair[0] - birth['station']):+.0f} mm from the truth, "
                  f"stated sd {1e3 * pair[1]:.0f} mm (goal 30)")  # fmt: skip
        elif name.startswith(("sound_delay", "sound_shock_delay")) and pair[0] is not None:
            print(f"  {name}: {1e6 * pair[0]:+.0f} us, sd {1e6 * pair[1]:.0f}")


def print_trial(folder: Path) -> None:
    """What a trial's folder holds so far."""
    known = {
        stage: json.loads((folder / f"{stage}.json").read_text(encoding="utf-8"))
        for stage in STAGES
        if (folder / f"{stage}.json").exists()
    }
    if "sightings" in known:
        facts = known.pop("sightings")
        print_sightings(facts)
        print_fits(facts, known)


def kept_figures(folders: list[Path]) -> list[Figure]:
    """Errors from pictures over those from perfect points, and births, for the docs."""
    stages: list[dict[str, Any]] = []
    for folder in folders:
        files = {stage: folder / f"{stage}.json" for stage in STAGES}
        if all(file.exists() for file in files.values()):
            stages.append({s: json.loads(f.read_text(encoding="utf-8")) for s, f in files.items()})
    whole = [s for s in stages if "refused" not in s["points"] and "refused" not in s["pictures"]]
    wrong = [float(s["sightings"]["labels"]["wrong"]) for s in stages]
    rows = [
        Figure("trials refused", TWIN, len(stages), float(len(stages) - len(whole)), goal="0",
               met=len(whole) == len(stages)),
        Figure("wrong labels a trial", TWIN, len(stages), float(np.median(wrong)), max(wrong), "0",
               not any(wrong)),
    ]  # fmt: skip
    for part in PARTS:
        ratio = np.array([s["pictures"][part] / s["points"][part] for s in whole])
        rows.append(
            Figure(f"position, {part.replace('_', ', ')}: error over that from perfect points",
                   TWIN, len(whole), float(np.median(ratio)), float(ratio.max()),
                   "1.5 in 9 of 10", bool(np.quantile(ratio, 0.9) <= 1.5))
        )  # fmt: skip
    for name, words, scale in (
        ("peak_tip_speed", "peak tip speed [m/s]", 1.0),
        (f"clock_offset:{CAMERA}", "clock offset of the camera [us]", 1e6),
    ):
        pairs = [s["pictures"][name] for s in whole if name in s["pictures"]]
        off = scale * np.abs([value - right for value, right, _ in pairs])
        inside = sum(abs(value - right) <= 1.96 * sd for value, right, sd in pairs)
        rows.append(Figure(words, TWIN, len(pairs), float(np.median(off)), float(off.max()),
                           holds=f"{inside} of {len(pairs)}"))  # fmt: skip
    born = [
        1e6 * abs(s["pictures"][f"front_birth_time:{CAMERA}"][0] - s["sightings"]["birth"]["time"])
        for s in whole
        if s["sightings"]["birth"] and s["pictures"].get(f"front_birth_time:{CAMERA}", [None])[0]
    ]
    if born:
        rows.append(Figure("time of a front's birth [us]", TWIN, len(born), float(np.median(born)),
                           max(born), "30", bool(np.median(born) <= 30)))  # fmt: skip
    return rows


def main() -> None:
    args = arguments()
    folders = []
    for seed in range(args.first, args.first + args.count):
        name = f"pictures-{seed}" + (f"-{args.camera_rate:g}" if args.camera_rate else "")
        folder = args.cache / name
        if not args.report:
            carry_out(seed, args, folder)
        print_trial(folder)
        folders.append(folder)
    if args.keep:
        figures.save("pictures", "From pictures and sound to the motion", kept_figures(folders))


if __name__ == "__main__":
    main()
