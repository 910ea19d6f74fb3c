"""From pictures and sound to the motion by the documented commands alone, on the second renderer.

    python benchmarks/whole_way.py --keep
    python benchmarks/whole_way.py --throw 200 --setup A --last 0.3 --frames 60

Five throws of the independent engine before two set-ups that share no code with `lashwave.twin`:
other cameras, boards, dots, film, front and sound. Each camera is calibrated by `calibrate` from
pictures of a board, the trial put together by `assemble`, searched by `locate`, looked at by
`check`, and fitted by `reconstruct`. The same throw with perfect points stands beside it. Each step
is kept in --cache, so that a stopped run goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import pickle
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402

from benchmarks import figures, whole_bench as bench  # noqa: E402
from benchmarks.figures import ENGINE, Figure  # noqa: E402
from benchmarks.score import motion_scores  # noqa: E402
from lashwave.files import read_trial, toml_text  # noqa: E402
from lashwave.files.read_answers import read_motion  # noqa: E402
from lashwave.twin.bench import DRAWS  # noqa: E402
from lashwave.twin.throw_scene import ThrowScene  # noqa: E402
from lashwave.twin.truth import TrueMotion  # noqa: E402

THROWS = (200, 201, 203, 204, 219)
"""Seeds of the engine's throws: each of them cracks."""
COMMAND = "import sys; from lashwave.workbench.cli import main; sys.exit(main())"
ROUNDED = 1e-6
"""Of stations as files have them [m]."""
PARTS = ("seen", "lost", "peak_lost")
NAMES = ("peak_tip_speed", "clock_offset:fast", "shock_birth_time:fast", "shock_birth_station:fast")


def lash(*words: object) -> dict[str, Any]:
    """A command of the program: its status, what it said, what it cost [s]."""
    begun = time.time()
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", COMMAND, *map(str, words)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    said = (done.stdout + done.stderr).strip()
    record = {"command": f"lashwave {words[0]}", "rc": done.returncode}
    record |= {"wall_s": round(time.time() - begun, 1), "said": said[-3000:]}
    print(f"  {record['command']}: rc {done.returncode}, {record['wall_s']} s", flush=True)
    if done.returncode:
        print(said[-1500:], flush=True)
    return record


def known(seed: int, cache: Path) -> tuple[ThrowScene, TrueMotion]:
    """The engine's throw, made once."""
    kept = cache / f"engine-{seed}.pkl"
    if not kept.exists():
        from blind import engine_path

        scene = DRAWS["throw"](seed, True)
        kept.write_bytes(pickle.dumps((scene, vars(engine_path(scene)))))
    scene, parts = pickle.loads(kept.read_bytes())
    return scene, TrueMotion(**parts)


def calibrated(setup: bench.SetUp, folder: Path, count: int) -> list[dict[str, Any]]:
    """Calibrations of a set-up's marker cameras, beside how far they are off."""
    kept = folder / "calibrated.json"
    if kept.exists():
        return list(json.loads(kept.read_text(encoding="utf-8")))
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    bench.boards(setup, folder, count)
    records = []
    for eye in setup.eyes:
        plan, out = folder / f"{eye.name}-plan.toml", folder / f"{eye.name}.toml"
        record = lash("calibrate", plan, "--out", out)
        if record["rc"] == 0:
            record |= _off(eye, out)
        records.append(record)
        shutil.rmtree(folder / f"{eye.name}-boards")
    kept.write_text(json.dumps(records, indent=1), encoding="utf-8")
    return records


def _off(eye: bench.Eye, calibration: Path) -> dict[str, Any]:
    """How far off a calibration puts points of the throw's volume [px]."""
    from lashwave.instruments import project
    from lashwave.quantities import Camera, Clock

    table = bench.read_toml(calibration)
    camera = Camera(
        eye.name, 500.0, eye.size, np.array(table["projection"]), Clock(), 0.1,
        intrinsics=np.array(table["intrinsics"]), distortion=np.array(table["distortion"]),
    )  # fmt: skip
    points = np.random.default_rng(0).uniform([-1.7, -0.3, -0.3], [1.7, 0.3, 3.6], (400, 3))
    uv = eye.seen(points)[0]
    inside = ((uv > 0) & (uv < np.array(eye.size))).all(axis=1)
    off = (project(camera, points) - uv)[inside]
    print(f"  {eye.name}: off by {np.sqrt((off**2).mean()):.3f} px RMS")
    return {"off_px": float(np.sqrt((off**2).mean())), "mean_px": off.mean(axis=0).tolist()}


def sighted(throw: bench.Throw, folder: Path, rig: Path, frames: int) -> list[dict[str, Any]]:
    """Pictures and sound, a trial of them, and what is found; the pictures are thrown away."""
    kept = folder / "sighted.json"
    if kept.exists():
        return list(json.loads(kept.read_text(encoding="utf-8")))
    source = folder / "source"
    for name in ("source", "trial", "located"):
        shutil.rmtree(folder / name, ignore_errors=True)
    source.mkdir(parents=True)
    begun = time.time()
    bench.write_line(source / "line.csv", throw)
    bench.marker_films(throw, source)
    bench.fast_film(throw, source, frames)
    bench.scale_plan(throw, folder)
    described = bench.described(throw)
    described["microphones"] = bench.sounds(throw, source)
    print(f"  rendered in {time.time() - begun:.0f} s", flush=True)
    records = [lash("calibrate", folder / "fast-plan.toml", "--out", source / "fast.toml")]
    size = [throw.view.size, throw.view.size]
    described["cameras"][0] |= {"size": size, "frames": "fast/*.png"}
    described["cameras"][0]["calibration"] = "fast.toml"
    for eye in throw.setup.eyes:
        shutil.copyfile(rig / f"{eye.name}.toml", source / f"{eye.name}.toml")
        described["cameras"].append(
            {"name": eye.name, "size": list(eye.size), "rate": f"{bench.MARKER_RATE:g} Hz",
             "shows": "dots",
             "exposure": f"{throw.setup.exposure:g} s", "calibration": f"{eye.name}.toml",
             "frames": f"{eye.name}/*.png", "clock": {"offset": "0 s", "offset_sd": "0 s"}}
        )  # fmt: skip
    (folder / "description.toml").write_text(toml_text(described), encoding="utf-8")
    way = ["--with", folder / "description.toml", "--out", folder / "trial"]
    records.append(lash("assemble", source, *way))
    records.append(lash("locate", folder / "trial", "--out", folder / "located", "--quiet"))
    records.append(lash("check", folder / "located"))
    if all(one["rc"] == 0 for one in records):
        for name in ("source", "trial"):
            shutil.rmtree(folder / name, ignore_errors=True)
    kept.write_text(json.dumps(records, indent=1), encoding="utf-8")
    return records


def pointed(throw: bench.Throw, folder: Path, frames: int) -> None:
    """The same throw as perfect points, and what is true of it."""
    if not (folder / "truth.json").exists():
        shutil.rmtree(folder / "perfect", ignore_errors=True)
        bench.perfect(throw, folder / "perfect", frames)
        bench.write_json(folder / "truth.json", bench.truth(throw, frames))


def once(kept: Path, found: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """What was found before, or is found now and kept."""
    if not kept.exists():
        bench.write_json(kept, found())
    return dict(json.loads(kept.read_text(encoding="utf-8")))


def seen(throw: bench.Throw, folder: Path) -> dict[str, Any]:
    """Labels and tips that were found, beside the truth."""
    if not (folder / "located" / "trial.toml").exists():
        return {}
    true = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    markers = read_trial(folder / "located").markers
    fast = next((c for c in read_trial(folder / "located").cameras if c.name == "fast"), None)
    place = throw.path.at(markers.time, throw.scene.lash.station)[0]
    off = [
        np.linalg.norm(markers.position[:, column] - place[:, throw.labels.index(label)], axis=-1)
        for column, label in enumerate(markers.labels)
        if label in throw.labels
    ]
    every = np.concatenate(off) if off else np.empty(0)
    every = every[np.isfinite(every)]
    record: dict[str, Any] = {"of": int(place.shape[0] * place.shape[1]), "given": every.size}
    # Beyond a marker's own blur and the stations' errors a sample is another marker's.
    record |= {"wrong": int((every > 8e-3).sum()), "rms_mm": 1e3 * _rms(every[every < 8e-3])}
    tips = []
    if fast is not None:
        for frame, uv, sd in zip(fast.frame, fast.uv, fast.point_sd, strict=True):
            right = true["tip"].get(str(int(frame)))
            gap = np.inf if right is None else float(np.abs(np.array(right) - uv).max())
            tips.append([int(frame), gap, float(sd)])
        record["flash_clock"] = [fast.clock.offset - true["clock"], fast.clock.offset_sd]
    return record | {"tips": tips, "tips_of": len(true["tip"])}


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if values.size else float("nan")


def fitted(way: str, folder: Path) -> dict[str, Any]:
    """`reconstruct` of one kind of sightings: what it said, and what it answered."""
    kept, out = folder / f"{way}.json", folder / f"{way}-answers"
    if kept.exists():
        return dict(json.loads(kept.read_text(encoding="utf-8")))
    record = lash("reconstruct", folder / way, "--out", out, "--quiet")
    if record["rc"] == 0:
        summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
        record["warnings"] = summary["warnings"]
        record["answers"] = {n: summary["quantities"].get(n) for n in NAMES}
    bench.write_json(kept, record)
    return record


def scored(throw: bench.Throw, folder: Path, way: str) -> dict[str, float | None]:
    """Position errors [m] of an answer, judged where the perfect points are seen."""
    if not (folder / f"{way}-answers").exists():
        return {}
    motion = read_motion(folder / f"{way}-answers")
    fit = SimpleNamespace(
        time=motion["time"].values, station=motion["station"].values,
        position=motion["position"].values, velocity=motion["velocity"].values,
        position_sd=motion["position_sd"].values,
    )  # fmt: skip
    trial = read_trial(folder / "perfect")
    scores = motion_scores(trial, throw.path, fit, throw.peak)  # type: ignore[arg-type]
    return {k: v for k, v in scores.items() if k.startswith(("rms", "cover"))}


def one(seed: int, name: str, args: argparse.Namespace) -> dict[str, Any]:
    """A throw before a set-up, as far as --stop."""
    print(f"throw {seed}, set-up {name}", flush=True)
    setup, folder = bench.SETUPS[name], args.cache / f"{seed}-{name}"
    record: dict[str, Any] = {"seed": seed, "setup": name}
    if args.stop != "known":
        record["calibrated"] = calibrated(setup, args.cache / f"rig-{name}", args.boards)
    if args.stop == "calibrated":
        return record
    scene, path = known(seed, args.cache)
    throw = bench.Throw.of(setup, scene, path, args.last, args.frames)
    folder.mkdir(exist_ok=True)
    pointed(throw, folder, args.frames)
    record |= {"truth": json.loads((folder / "truth.json").read_text(encoding="utf-8"))}
    if args.stop == "known":
        return record
    if args.stop == "sighted" or "located" in args.way:
        record["sighted"] = sighted(throw, folder, args.cache / f"rig-{name}", args.frames)
        record["seen"] = once(folder / "seen.json", lambda: seen(throw, folder))
    if args.stop == "sighted":
        return record
    for way in args.way:
        record[way] = fitted(way, folder)
        scores = once(folder / f"{way}-scores.json", lambda way=way: scored(throw, folder, way))
        record[way] |= {"scores": scores}
    return record


def shown(record: dict[str, Any]) -> None:
    """A throw's record for people."""
    found = record.get("seen") or {}
    if found:
        tips = np.array([[gap, sd] for _, gap, sd in found["tips"]]).reshape(-1, 2)
        beyond = int((tips[:, 0] > 5 * tips[:, 1]).sum())
        print(f"  labels {found['given']} of {found['of']}, {found['wrong']} wrong, "
              f"{found['rms_mm']:.2f} mm; tips {len(tips)} of {found['tips_of']}, median "
              f"{np.median(tips[:, 0]) if len(tips) else np.nan:.2f} px, {beyond} beyond 5 sd; "
              f"flash clock {found.get('flash_clock')}")  # fmt: skip
    for way in ("located", "perfect"):
        fit = record.get(way)
        if fit:
            values = {k: round(1e3 * v, 2) for k, v in fit["scores"].items()
                      if v is not None and k.startswith("rms")}  # fmt: skip
            print(f"  {way}: {values} mm")


def kept(records: list[dict[str, Any]]) -> list[Figure]:
    """Figures of all throws, for the docs; of the fits only where there are some."""
    records = [r for r in records if "sighted" in r]
    rows = _sightings(records)
    fitted_ones = [r for r in records if "located" in r]
    whole = [r for r in fitted_ones if r["located"]["rc"] == 0]
    if fitted_ones:
        count = len(fitted_ones)
        lost = float(count - len(whole))
        rows.append(
            Figure("throws refused by reconstruct", ENGINE, count, lost, goal="0", met=not lost)
        )
    both = [r for r in whole if "perfect" in r and r["perfect"]["rc"] == 0]
    for part in PARTS:
        key = f"rms_{part}"
        pairs = [(r["located"]["scores"].get(key), r["perfect"]["scores"].get(key)) for r in both]
        ratio = np.array([a / b for a, b in pairs if a and b])
        if ratio.size:
            rows.append(Figure(
                f"position, {part.replace('_', ', ')}: error over that from perfect points",
                ENGINE, ratio.size, float(np.median(ratio)), float(ratio.max()),
                "1.5 in 9 of 10", bool(np.mean(ratio <= 1.5) >= 0.9)))  # fmt: skip
    return rows + _answers(whole)


def _sightings(records: list[dict[str, Any]]) -> list[Figure]:
    """Commands up to `check`, labels, places and tips."""
    count = len(records)
    refused = sum(any(one["rc"] for one in r["sighted"]) for r in records)
    found = [r["seen"] for r in records if r.get("seen")]
    rows = [Figure("throws refused by calibrate, assemble, locate or check", ENGINE, count,
                   float(refused), goal="0", met=not refused)]  # fmt: skip
    if not found:
        return rows
    wrong = [float(one["wrong"]) for one in found]
    given = [100.0 * one["given"] / one["of"] for one in found]
    place = [one["rms_mm"] for one in found]
    tips = [100.0 * len(one["tips"]) / one["tips_of"] for one in found]
    far = [float(100.0 * np.mean([gap > 5 * sd for _, gap, sd in one["tips"]])) for one in found]
    return [
        *rows,
        Figure("wrong labels a throw", ENGINE, len(found), float(np.median(wrong)), max(wrong),
               "0", not any(wrong)),
        Figure("marker samples with a label [%]", ENGINE, len(found), float(np.median(given)),
               min(given)),
        Figure("markers' places [mm]", ENGINE, len(found), float(np.median(place)), max(place)),
        Figure("tips found of those in view [%]", ENGINE, len(found), float(np.median(tips)),
               min(tips)),
        Figure("tips beyond 5 stated deviations [%]", ENGINE, len(found), float(np.median(far)),
               max(far), "0.1", max(far) <= 0.1),
    ]  # fmt: skip


def _answers(whole: list[dict[str, Any]]) -> list[Figure]:
    """Peak, clock and birth."""
    rows = []
    for name, words, scale, goal, share in (
        ("peak_tip_speed", "peak tip speed [%]", 100.0, 5.0, 1.0),
        ("clock_offset:fast", "clock offset of the fast camera [us]", 1e6, 15.0, 1.0),
        ("shock_birth_time:fast", "time of a front's birth [us]", 1e6, 30.0, 0.8),
        ("shock_birth_station:fast", "station of a front's birth [mm]", 1e3, 30.0, 0.8),
    ):
        off, holds, asked = [], 0, 0
        for record in whole:
            true, found = record["truth"], record["located"]["answers"].get(name) or {}
            right = {"p": true["peak_tip_speed"], "c": true["clock"]}.get(name[0])
            if name.startswith("shock"):
                right = true["birth"] and true["birth"]["station" in name]
            if right is None:
                continue
            asked += 1
            if found.get("value") is None:
                continue
            by = right if name[0] == "p" else 1.0
            off.append(scale * abs(found["value"] - right) / by)
            # Tables have so many digits; a birth at the tip itself lies on the interval's end.
            slack = ROUNDED if name.endswith("station:fast") else 0.0
            holds += found["low95"] - slack <= right <= found["high95"] + slack
        met = bool(np.sum(np.array(off) <= goal) >= share * asked) if asked else None
        if off:
            rows.append(Figure(words, ENGINE, len(off), float(np.median(off)), max(off),
                               f"{goal:g} in {share:.0%}", met, f"{holds} of {asked}"))  # fmt: skip
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--throw", type=int, action="append", help="this seed alone")
    parser.add_argument("--setup", choices=tuple(bench.SETUPS), action="append")
    parser.add_argument("--last", type=float, help="record from so long before the peak [s]")
    parser.add_argument("--frames", type=int, default=120, help="of the fast film")
    parser.add_argument("--boards", type=int, default=12, help="pictures of a board")
    parser.add_argument("--stop", choices=("calibrated", "known", "sighted", "answers"),
                        default="answers")  # fmt: skip
    parser.add_argument("--way", choices=("located", "perfect"), action="append")
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks/whole"))
    parser.add_argument("--note", action="append", help="a sentence beside the figures kept")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    args = parser.parse_args()
    args.cache.mkdir(parents=True, exist_ok=True)
    args.way = args.way or ["located", "perfect"]
    records = []
    for seed in args.throw or THROWS:
        for name in args.setup or bench.SETUPS:
            records.append(one(seed, name, args))
            shown(records[-1])
    if args.keep:
        chosen = [f" --throw {seed}" for seed in args.throw or ()]
        chosen += [f" --setup {name}" for name in args.setup or ()]
        typed = f"python benchmarks/whole_way.py{''.join(chosen)} --stop {args.stop} --keep"
        figures.save("whole_way", "From pictures and sound, second renderer", kept(records),
                     args.note or (), typed=typed)  # fmt: skip


if __name__ == "__main__":
    main()
