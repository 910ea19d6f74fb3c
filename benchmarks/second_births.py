"""Births of fronts in the second renderer's films, by the true motion: found, and if not, why.

    python benchmarks/second_births.py --keep

The ten films of `whole_way` are searched as `locate` does. Each birth is then fitted with draws
about the true motion, as `benchmarks/fronts.py` makes them, so that no throw need be reconstructed:
what is missed here is missed by the pictures or the search, not by the motion. Beside each stands
how strong the front is that was drawn: in how many frames 200 pixels of it or more are brighter or
darker than the noise of a pixel. A finished film is one file in --cache.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

import cv2  # noqa: E402
import numpy as np  # noqa: E402

from benchmarks import figures, whole_bench as bench, whole_way  # noqa: E402
from benchmarks.figures import ENGINE, Figure  # noqa: E402
from benchmarks.front_scores import ASIDE, CLOCK, DRAWS, FASTER, LATE, WINDOW  # noqa: E402
from benchmarks.second_film import Crack, film, front_light  # noqa: E402
from lashwave.answers.sound_in_air import speed as sound_of  # noqa: E402
from lashwave.emission.fronts_and_sounds import birth_of, flanks_of  # noqa: E402
from lashwave.files import read_trial  # noqa: E402
from lashwave.points import locate_fast  # noqa: E402
from lashwave.quantities import Camera, Clock, Draws  # noqa: E402

LIGHT = 118.0
"""Grey levels by which the film multiplies a front's light."""
PIXELS, FEWEST = 200, 5
"""A front shows where so many pixels of it are over the noise, in so many frames or more."""
FRAMES, LAST = 120, 0.3


class Held(list[np.ndarray]):
    """Frames in memory."""

    size = (0, 0)
    bits = 8


def about_truth(throw: bench.Throw, clock: float) -> Draws:
    """Draws of the motion about the true one, as far off as `benchmarks/fronts.py` says."""
    path, rng = throw.path, np.random.default_rng(throw.seed)
    time = path.time[(path.time > throw.peak - WINDOW[0]) & (path.time < throw.peak + WINDOW[1])]
    outer = path.station[path.station > 0.8 * path.station[-1]]
    common, place, velocity, offset = rng.standard_normal(6), [], [], []
    for _ in range(DRAWS):
        own = rng.standard_normal(6) + common
        rate = 1.0 + FASTER * own[0]
        then = throw.peak + rate * (time - LATE * own[1] - throw.peak)
        x, v = path.at(np.clip(then, path.time[0], path.time[-1]), outer)
        place.append(x + ASIDE * own[2:5])
        velocity.append(rate * v)
        offset.append(clock + CLOCK * own[5])
    none = np.zeros((DRAWS, time.size))
    shared = {f"registration_{axis}:fast": np.zeros(DRAWS) for axis in "uv"}
    shared |= {"clock_offset:fast": np.array(offset)}
    shared |= {"clock_drift:fast": np.full(DRAWS, throw.view.drift)}
    return Draws(
        time, outer, np.array(place, dtype=np.float32), np.array(velocity, dtype=np.float32),
        none, none, none, none, shared,
    )  # fmt: skip


def strength(throw: bench.Throw, crack: Crack, images: Held) -> dict[str, Any]:
    """How strong the front is in the pictures, beside a pixel's noise [grey levels]."""
    apart = images[1].astype(float) - images[0]
    noise = 1.4826 * float(np.median(np.abs(apart - np.median(apart)))) / np.sqrt(2.0)
    lights = [LIGHT * np.abs(front_light(throw.view, crack, throw.view.time(k)))
              for k in range(FRAMES)]  # fmt: skip
    shows = sum(int((light > noise).sum() >= PIXELS) for light in lights)
    return {"noise": noise, "levels": float(max(light.max() for light in lights)), "shows": shows}


def one(seed: int, name: str, cache: Path) -> dict[str, Any]:
    """A film: rendered, searched, its front's birth beside the truth."""
    kept = cache / f"birth-{seed}-{name}.json"
    if kept.exists():
        return dict(json.loads(kept.read_text(encoding="utf-8")))
    scene, path = whole_way.known(seed, cache)
    throw = bench.Throw.of(bench.SETUPS[name], scene, path, LAST, FRAMES)
    points, view = cache / f"birth-{seed}-{name}", throw.view
    if not (points / "trial.toml").exists():
        bench.perfect(throw, points, FRAMES)
    true, crack = bench.truth(throw, FRAMES), Crack.of(throw.path, throw.sound)
    line = scene.lash.true
    rng = np.random.default_rng([seed, 8, ord(name)])
    images = Held(film(view, throw.path, (line.station, 0.5 * line.diameter), crack,
                       throw.samples, FRAMES, rng))  # fmt: skip
    images.size = (view.size, view.size)
    camera = Camera(
        "fast", view.rate, images.size, np.vstack([view.rows, [0.0, 0.0, 0.0, 1.0]]),
        Clock(true["clock"], 2e-3, 5e-6), 0.5, shows="schlieren", exposure=view.exposure,
    )  # fmt: skip
    found = locate_fast(camera, images, read_trial(points).markers, throw.sound, lambda *_: None)
    speed = float(np.linalg.norm(throw.path.velocity[:, -1], axis=-1).max())
    record: dict[str, Any] = {"seed": seed, "setup": name, "mach": speed / throw.sound}
    record |= strength(throw, crack, images)
    record["tips"] = [0 if found.tip is None else int(found.tip.frame.size), len(true["tip"])]
    record["points"] = 0 if found.fronts is None else int(found.fronts.frame.size)
    if found.fronts is not None:
        camera, draws = replace(camera, fronts=found.fronts), about_truth(throw, true["clock"])
        sound = sound_of(scene.air)
        born, record["said"] = birth_of(camera, flanks_of(camera, draws, sound), draws, sound)
        if born is not None:
            for key, values, right in zip(
                ("time", "station"), (born.time, born.station), true["birth"], strict=True
            ):
                low, middle, high = np.nanquantile(values, [0.025, 0.5, 0.975])
                record[key] = [middle - right, low - right, high - right]
    bench.write_json(kept, record)
    return record


def shown(record: dict[str, Any]) -> str:
    """A line for people."""
    born = "no birth"
    if "time" in record:
        born = (
            f"birth off by {1e6 * record['time'][0]:+.1f} us, {1e3 * record['station'][0]:+.1f} mm"
        )
    return (
        f"{record['seed']} {record['setup']}: Mach {record['mach']:.2f}, front of up to "
        f"{record['levels']:.1f} levels over noise of {record['noise']:.1f}, shows in "
        f"{record['shows']} frames; tips {record['tips'][0]} of {record['tips'][1]}, "
        f"{record['points']} points of fronts, {born}"
    )


def rows(records: list[dict[str, Any]]) -> list[Figure]:
    """Figures of the films whose front shows, and how many show none."""
    show = [r for r in records if r["shows"] >= FEWEST]
    hidden = [r for r in records if r["shows"] < FEWEST]
    table = [Figure("films whose front does not show", ENGINE, len(records), float(len(hidden)),
                    beside=", ".join(f"{r['seed']} {r['setup']}" for r in hidden)),
             Figure("births given of these all the same", ENGINE, len(hidden),
                    float(sum("time" in r for r in hidden)), goal="0",
                    met=not any("time" in r for r in hidden))]  # fmt: skip
    for key, what, scale in (("time", "time of a front's birth [us]", 1e6),
                             ("station", "station of a front's birth [mm]", 1e3)):  # fmt: skip
        off = np.array([scale * abs(r[key][0]) for r in show if key in r])
        slack = whole_way.ROUNDED if key == "station" else 0.0
        held = sum(r[key][1] - slack <= 0.0 <= r[key][2] + slack for r in show if key in r)
        if off.size:
            good = bool((off <= 30.0).sum() >= 0.8 * len(show))
            table.append(Figure(f"{what}, of films whose front shows", ENGINE, len(show),
                                float(np.median(off)), float(off.max()), "30 in 80%", good,
                                f"{held} of {len(show)}", beside=f"{off.size} given"))  # fmt: skip
    return table


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--throw", type=int, action="append", help="this seed alone")
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks/whole"))
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    args.cache.mkdir(parents=True, exist_ok=True)
    records = []
    for seed in args.throw or whole_way.THROWS:
        for name in bench.SETUPS:
            records.append(one(seed, name, args.cache))
            print(shown(records[-1]), flush=True)
    table = rows(records)
    for row in table:
        print(f"{row.what}: {row.median} ({row.worst}), n {row.count}, {row.holds} {row.beside}")
    if args.keep:
        figures.save(
            "second_births", "Births of fronts, second renderer, by the true motion", table,
            [shown(r) + "." for r in records], typed="python benchmarks/second_births.py --keep",
        )  # fmt: skip


if __name__ == "__main__":
    main()
