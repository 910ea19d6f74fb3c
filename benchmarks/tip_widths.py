"""The tip of painted lines from 2 to 30 px wide: tapers, tufts, fronts, wires, loops.

    python -m benchmarks.tip_widths [--width 12] [--keep]

For each case how many of the tips in view are found, their errors, and how many lie beyond five of
their stated deviations: the goal is one in a thousand over all cases.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks import figures
from benchmarks.figures import TWIN, Figure
from lashwave.points.background import background
from lashwave.points.tip.find_tip import tip_track, tips_in
from tests.points.painted_line import Painted, bend, coverage, front

SIZE, COUNT, RIM = (384, 320), 46, 16
WIDTHS = (2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 25, 30)
OUTLIER = 5.0
"""Stated deviations from which an error is an outlier."""


def across(frame: float) -> NDArray[np.float64] | None:
    """Comes in from the left and swings through."""
    tip = np.array([-60.0 + 9.0 * frame, 160.0 + 60.0 * np.sin(frame / 7.0)])
    if tip[0] < -50:
        return None
    return bend(np.array([-40.0, 90.0 + frame]), np.array([0.5 * tip[0], 20 + 3 * frame]), tip)


def down(frame: float) -> NDArray[np.float64] | None:
    """Comes in from above."""
    tip = np.array([190.0 + 70.0 * np.sin(frame / 9.0), -60.0 + 8.5 * frame])
    if tip[1] < -50:
        return None
    return bend(np.array([260.0 - frame, -40.0]), np.array([320 - 3 * frame, 0.5 * tip[1]]), tip)


def cross(frame: float) -> NDArray[np.float64] | None:
    """Crosses itself: goes right, turns back below and comes up through its own first part."""
    if frame < 4:
        return None
    s, wave = np.linspace(0, 1, 80)[:, None], 12.0 * np.sin(frame / 6.0)
    first, tip = np.array([-40.0, 190.0 + wave]), np.array([110.0 + 2.5 * frame, 175.0 - 3 * frame])
    one, two = np.array([420.0, 60.0 + 2 * frame]), np.array([330.0 - wave, 360.0 + wave])
    return (
        (1 - s) ** 3 * first + 3 * s * (1 - s) ** 2 * one + 3 * s * s * (1 - s) * two + s**3 * tip
    )


def loop(frame: float) -> NDArray[np.float64] | None:
    """Turns twice; its first part stands still at the rim."""
    if frame < 4:
        return None
    s = np.linspace(0, 1, 60)[:, None]
    tip = np.array([60.0 + 6.5 * frame, 200.0 + 30.0 * np.sin(frame / 8.0)])
    one, two = np.array([tip[0] + 160.0, 60.0]), np.array([tip[0] - 180.0, 90.0 + frame])
    first = np.array([-40.0, 80.0])
    return (
        (1 - s) ** 3 * first + 3 * s * (1 - s) ** 2 * one + 3 * s * s * (1 - s) * two + s**3 * tip
    )


class Tufted(Painted):
    """Seven strands leave the tip as a bundle half as wide as the line, and fan out."""

    def clean(self, frame: int) -> NDArray[np.float64]:
        image = super().clean(frame)
        line = self.line(frame)
        if line is None:
            return image
        ahead = (line[-1] - line[-3]) / np.linalg.norm(line[-1] - line[-3])
        side, radius = np.array([-ahead[1], ahead[0]]), float(self.radius(len(line))[-1])
        hidden = np.zeros(self.size[::-1])
        for share in np.linspace(-1.0, 1.0, 7):
            root = line[-1] + 0.5 * share * radius * side
            strand = np.array([root, line[-1] + (radius + 22.0) * ahead + 9.0 * share * side])
            hidden = np.maximum(hidden, coverage(strand, np.full(2, 0.5), self.size))
        return image * (1.0 - 0.9 * cv2.GaussianBlur(hidden, (0, 0), self.lens))


def cases(width: float, seed: int, noise: float) -> dict[str, Painted]:
    """Records of a line that is so wide [px] at the rim."""

    def painted(share: float, kind: type[Painted] = Painted, **more: object) -> Painted:
        ends = 0.5 * width, 0.5 * max(2.0, share * width)
        more = {"line": across, "wires": False} | more
        return kind(
            SIZE, COUNT, radius=lambda n: np.linspace(*ends, n), noise=noise, seed=seed, **more
        )  # type: ignore[arg-type]

    def shock(frame: int) -> NDArray[np.float64]:
        return front(SIZE, (260.0, 60.0), 10.0 + 6.0 * frame, 0.25)

    return {
        "even": painted(1.0),
        "taper": painted(1.0 / 3.0),
        "wires": painted(0.7, line=down, wires=True),
        "front": painted(0.6, wires=True, others=shock),
        "tuft": painted(0.8, Tufted),
        "loop": painted(0.7, line=loop),
        "cross": painted(0.7, line=cross),
        "blur": painted(0.6, exposure=0.4),
    }


def judged(record: Painted, tufted: bool) -> dict[str, list[float]]:
    """In view, and of each tip that is found its error and the deviation [px]."""
    frames = record.all()
    found = tip_track(tips_in(frames, background(frames), record.exposure), tufted)
    lines = [record.line(frame) for frame in range(COUNT)]
    high = np.array(SIZE) - 1 - RIM
    view = [p is not None and bool(((p[-1] > RIM) & (p[-1] < high)).all()) for p in lines]
    error = []
    for frame, uv in zip(found.frame, found.uv, strict=True):
        line = lines[int(frame)]
        error.append(np.inf if line is None else float(np.abs(uv - line[-1]).max()))
    return {"view": [float(sum(view))], "error": error, "sd": found.sd.tolist()}


def measured(widths: list[int], seeds: int) -> list[dict[str, object]]:
    """A row a width, case and seed."""
    rows: list[dict[str, object]] = []
    for width in widths:
        for seed in range(seeds):
            for name, record in cases(width, seed, (4.0, 12.0)[seed % 2]).items():
                one = judged(record, name == "tuft")
                rows.append({"width": width, "case": name, "seed": seed, **one})
                error, sd = np.array(one["error"]), np.array(one["sd"])
                rms = np.sqrt(np.mean(error**2)) if len(error) else 0.0
                print(f"{width:3d} px {name:6s} seed {seed}: {len(error):3d} of "
                      f"{one['view'][0]:.0f}, RMS {rms:.2f} px, over sd at most "
                      f"{(error / sd).max(initial=0.0):.1f}", flush=True)  # fmt: skip
    return rows


def shown(rows: list[dict[str, object]]) -> list[Figure]:
    """Figures by case, and of all."""
    kept = []
    for name in ["all", *dict.fromkeys(str(row["case"]) for row in rows)]:
        own = [row for row in rows if name in ("all", row["case"])]
        error = np.concatenate([np.array(row["error"]) for row in own])  # type: ignore[arg-type]
        sd = np.concatenate([np.array(row["sd"]) for row in own])  # type: ignore[arg-type]
        view = sum(row["view"][0] for row in own)  # type: ignore[index]
        beyond = int((error > OUTLIER * sd).sum())
        said = f"{len(error)} of {view:.0f} found, RMS {np.sqrt(np.mean(error**2)):.2f} px"
        what = f"tips 2 to 30 px wide, {name}: beyond {OUTLIER:.0f} sd [per 1000]"
        share = 1e3 * beyond / max(len(error), 1)
        kept.append(Figure(what, TWIN, len(error), share, beside=said, goal="1", met=share <= 1.0))
        print(f"{name}: {said}, {beyond} beyond {OUTLIER:.0f} sd")
    return kept


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--width", type=int, action="append", help="this width [px] alone")
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--rows", type=Path, help="write the rows here, for --from")
    parser.add_argument("--from", dest="given", type=Path, nargs="*", help="rows of other runs")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    if args.given:
        rows = [row for path in args.given for row in json.loads(path.read_text(encoding="utf-8"))]
    else:
        rows = measured(args.width or list(WIDTHS), args.seeds)
    if args.rows:
        args.rows.write_text(json.dumps(rows), encoding="utf-8")
    kept = shown(rows)
    if args.keep:
        typed = "python -m benchmarks.tip_widths --keep"
        figures.save("tip_widths", "Tips of lines 2 to 30 px wide", kept, typed=typed)


if __name__ == "__main__":
    main()
