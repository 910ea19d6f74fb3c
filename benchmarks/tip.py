"""Speed and errors of the strobe pass and the tip pass on painted frames and rendered throws.

Run: python -m benchmarks.tip [--films --seed 12 --seed 13 --cache out/benchmarks]

Painted: 512 x 512, 8 bits, one core: CPU seconds of the pass itself, frames held in memory.
Films (of seven throws unless told): one fast camera's images of simulated throws (a minute each to
render, then kept in --cache) beside the true place of the tip at the middle of each exposure. A
front is near where a hundredth of the 60 px about the true tip is a fifth brighter than the
background.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks import figures
from benchmarks.figures import MACHINE, TWIN, Figure
from lashwave import twin
from lashwave.points.background import Background, background, darkness
from lashwave.points.clock_sound import brightness, find_flashes
from lashwave.points.tip import tip_track, tips_in
from lashwave.quantities.images import TipTrack
from lashwave.twin.instrument_setting import Setting
from lashwave.twin.pictures import take
from tests.points.painted_line import Painted, bend, front

SIZE, COUNT = (512, 512), 120
LIT, SHARE, ABOUT = 0.2, 0.01, 60
"""A front is near: brighter than the background by a share, over a share of the pixels within so
many [px]."""
GROSS = 4.0
"""Deviations from which an error is gross."""


class Held(list[np.ndarray]):
    """Frames in memory."""

    size = SIZE
    bits = 8


@dataclass(frozen=True)
class Film:
    """A rendered throw as one fast camera saw it."""

    seed: int
    images: Held
    true: dict[int, NDArray[np.float64]]
    """(2,) [px] of the tip by frame, where it is in view."""
    exposure: float
    """Share of a frame's period."""
    rate: float
    peak: float
    """Frame of the greatest tip speed."""
    flashes: NDArray[np.int64]
    tufted: bool


def rendered(seed: int, frames: int, cache: Path) -> Film:
    """A film from the cache, or rendered and kept there."""
    kept, facts = cache / f"tip-film-{seed}.npy", cache / f"tip-film-{seed}.json"
    if not facts.exists():
        trial, truth = twin.make(seed, "throw", flashes=True)
        taken = take(trial, truth, Setting(frames=frames))
        film = taken.fast[0]
        np.save(kept, np.stack(list(film)))
        offset = film.camera.clock.offset
        peak = (float(truth.answers["peak_tip_speed_time"] or 0.0) - offset) * film.camera.rate
        facts.write_text(
            json.dumps(
                {
                    "tip": taken.found["tip"],
                    "exposure": film.camera.exposure * film.camera.rate,
                    "rate": film.camera.rate,
                    "peak": peak,
                    "tufted": trial.line.tuft is not None,
                    "flashes": taken.found["flashes"][film.camera.name],
                }
            ),
            encoding="utf-8",
        )
    known = json.loads(facts.read_text(encoding="utf-8"))
    images = Held(np.load(kept))
    images.size = images[0].shape[::-1]
    true = {int(f): np.array([u, v]) for _, f, u, v in known["tip"]}
    flashes = np.array(known["flashes"], dtype=np.int64)
    return Film(
        seed,
        images,
        true,
        known["exposure"],
        known["rate"],
        known["peak"],
        flashes,
        known["tufted"],
    )


def near_front(film: Film, scene: Background, frame: int) -> bool:
    """Whether a front stands about the true tip."""
    u, v = np.rint(film.true[frame]).astype(int)
    box = np.s_[max(v - ABOUT, 0) : v + ABOUT + 1, max(u - ABOUT, 0) : u + ABOUT + 1]
    shade = cv2.GaussianBlur(darkness(film.images[frame], scene), (0, 0), 1.0)[box]
    return bool((shade < -LIT).mean() > SHARE)


def located(film: Film) -> tuple[TipTrack, Background, float]:
    """Tips found in a film, its background, and the CPU seconds that took."""
    scene = background(film.images, skip=film.flashes)
    begun = time.process_time()
    found = tip_track(tips_in(film.images, scene, film.exposure), film.tufted)
    return found, scene, time.process_time() - begun


SEVEN = (4, 8, 12, 13, 20, 31, 36)
"""Throws whose films set the rules of tips beside fronts and threads; 4, 13, 20 and 36 have a
tuft."""


def films(seeds: tuple[int, ...], frames: int, cache: Path, every: bool) -> list[Figure]:
    """A line for each throw; then the honesty of the deviations over all, by what is near."""
    cache.mkdir(parents=True, exist_ok=True)
    off, sd, lit = [], [], []
    in_view = {True: 0, False: 0}
    print("seed  rate [kHz]  in view  found  median, 95 %, worst [px]  in sd: rms, within 2, gross")
    for seed in seeds:
        film = rendered(seed, frames, cache)
        found, scene, _ = located(film)
        near = {frame: near_front(film, scene, frame) for frame in film.true}
        for state in near.values():
            in_view[state] += 1
        nowhere = np.full(2, np.nan)
        each = [
            uv - film.true.get(int(f), nowhere) for f, uv in zip(found.frame, found.uv, strict=True)
        ]
        one = np.array(each).reshape(-1, 2)
        off.append(one)
        sd.append(found.sd)
        lit += [near.get(int(f), False) for f in found.frame]
        print(f"{seed:4d}  {1e-3 * film.rate:10.2f}  {len(film.true):7d}  {_line(one, found.sd)}")
        if every:
            for f, o, s in zip(found.frame, one, found.sd, strict=True):
                print(f"      frame {f} ({f - film.peak:+.1f} from the peak), off {o[0]:+.2f} "
                      f"{o[1]:+.2f} px, sd {s:.2f}, front {near.get(int(f))}")  # fmt: skip
    errors, sds, fronts = np.concatenate(off), np.concatenate(sd), np.array(lit, dtype=bool)
    table = []
    for name, chosen in (("front near", True), ("clear", False)):
        kept = fronts == chosen
        print(f"{name:>16}  {in_view[chosen]:7d}  {_line(errors[kept], sds[kept])}")
        table += _rows(name, in_view[chosen], errors[kept], sds[kept])
    return table


def _rows(
    near: str, in_view: int, off: NDArray[np.float64], sd: NDArray[np.float64]
) -> list[Figure]:
    """Figures of tips (P, 2) of all films, by what is near."""
    away, ratio = np.linalg.norm(off, axis=1), off / sd[:, None]
    gross = int((~(np.abs(ratio).max(axis=1) <= GROSS)).sum())
    if not np.isfinite(away).any():
        return [Figure(f"tips found of those in view, {near} [%]", TWIN, in_view, 0.0)]
    middle, most = (float(np.nanquantile(away, share)) for share in (0.5, 0.95))
    worst, rms = float(np.nanmax(away)), float(np.sqrt(np.nanmean(ratio**2)))
    within = f"95 % within {most:.2f}"
    return [
        Figure(f"tips found of those in view, {near} [%]", TWIN, in_view,
               100.0 * len(off) / max(in_view, 1)),
        Figure(f"tip, {near} [px]", TWIN, len(off), middle, worst, beside=within),
        Figure(f"errors over stated deviations, {near}, RMS", TWIN, len(off), rms),
        Figure(f"tips beyond {GROSS:.0f} deviations, {near}", TWIN, len(off), float(gross),
               goal="0", met=gross == 0),
    ]  # fmt: skip


def _line(off: NDArray[np.float64], sd: NDArray[np.float64]) -> str:
    """Count, errors, and errors over their deviations, of tips (P, 2)."""
    if not off.size:
        return "    0"
    away = np.linalg.norm(off, axis=1)
    ratio = off / sd[:, None]
    gross = int((~(np.abs(ratio).max(axis=1) <= GROSS)).sum())
    median, most, worst = np.nanmedian(away), np.nanquantile(away, 0.95), np.nanmax(away)
    rms, within = np.sqrt(np.nanmean(ratio**2)), np.nanmean(np.abs(ratio) < 1.96)
    return (
        f"{len(off):5d}  {median:6.2f}, {most:5.2f}, {worst:5.2f}          "
        f"{rms:8.2f}, {100 * within:5.1f} %, {gross}"
    )


def whip(frame: float) -> np.ndarray | None:
    """Comes in from the left and swings through."""
    tip = np.array([-30.0 + 4.5 * frame, 250.0 + 100.0 * np.sin(frame / 22.0)])
    if tip[0] < -20:
        return None
    return bend(np.array([-20.0, 120.0 + 0.5 * frame]), np.array([0.5 * tip[0], 40.0 + frame]), tip)


def painted_table(keep: bool) -> None:
    """Print the table of painted frames."""
    kept = []
    print("noise [levels]  tips  bias [px]  rms [px]  rms / sd   tip [frames/s]  strobe [frames/s]")
    for noise in (2.0, 6.0, 17.0):
        painted = Painted(
            SIZE,
            COUNT,
            whip,
            noise=noise,
            others=lambda f: front(SIZE, (200.0, 250.0), 20.0 + 3.0 * f, 0.2),
            flash=lambda f: 8.0 if f % 24 == 7 else 0.0,
        )
        frames = Held(painted.all())
        start = time.process_time()
        lit = find_flashes(brightness(frames), 24.0).frame
        strobe = COUNT / (time.process_time() - start)
        assert lit.tolist() == list(range(7, COUNT, 24))
        scene = background(frames, skip=lit)
        if not kept:  # compiles the fit, or reads it from disk
            sum(1 for _ in tips_in(Held(frames[:30]), scene))
        start = time.process_time()
        found = tip_track(tips_in(frames, scene))
        speed = COUNT / (time.process_time() - start)
        off = found.uv - np.array([painted.line(f)[-1] for f in found.frame])
        bias, rms = np.abs(off.mean(axis=0)).max(), np.sqrt(np.mean(off**2))
        ratio = np.sqrt(np.mean((off / found.sd[:, None]) ** 2))
        print(
            f"{noise:14.0f} {found.frame.size:5d} {bias:10.3f} {rms:9.3f} {ratio:9.2f}"
            f" {speed:16.0f} {strobe:18.0f}"
        )
        kept.append(
            Figure(f"tip in painted frames, noise {noise:.0f} levels, RMS [px]", TWIN,
                   found.frame.size, float(rms), beside=f"{ratio:.2f} of the stated sd")
        )  # fmt: skip
        kept.append(Figure(f"tip, frames a second of CPU, noise {noise:.0f} levels", MACHINE,
                           COUNT, speed, goal="200", met=speed >= 200))  # fmt: skip
    if keep:
        title = f"Tip in pictures of {SIZE} px"
        figures.save("tip", title, kept, typed="python -m benchmarks.tip --keep")


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--films", action="store_true", help="rendered throws, not painted frames")
    parser.add_argument("--seed", type=int, action="append", help="this throw; else seven")
    parser.add_argument("--frames", type=int, default=60, help="of each film, about the peak")
    parser.add_argument("--every", action="store_true", help="print each tip")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    parser.add_argument("--cache", type=Path, default=Path("out/benchmarks"))
    return parser.parse_args()


def main() -> None:
    args = arguments()
    cv2.setNumThreads(1)
    if args.films:
        table = films(tuple(args.seed or SEVEN), args.frames, args.cache, args.every)
        if args.keep:
            figures.save("tip_films", "Tips in rendered throws, beside fronts and threads", table,
                         typed="python -m benchmarks.tip --films --keep")  # fmt: skip
    else:
        painted_table(args.keep)


if __name__ == "__main__":
    main()
