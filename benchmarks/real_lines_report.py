"""What `real_lines.py` prints and keeps of its runs."""

from __future__ import annotations

from typing import Any

import numpy as np
from figures import REAL, Figure


def _over(values: list[float]) -> str:
    """Pooled, then median and worst [mm]."""
    picked = 1e3 * np.asarray(values)
    pooled = np.sqrt((picked**2).mean())
    return f"{pooled:6.1f}  (median {np.median(picked):6.1f}, worst {picked.max():6.1f})"


def print_run(records: list[dict[str, Any]], run: str) -> None:
    """One run over all takes."""
    good = [r for r in records if r["run"] == run and "failed" not in r]
    for r in (r for r in records if r["run"] == run and "failed" in r):
        print(f"  {r['take']}: {r['failed']}")
    if not good:
        return
    naive = "straight lines" if run == "A" else "spline over time"
    print(f"\nrun {run}, {len(good)} takes: RMS distance at the withheld samples [mm]")
    for name, key in (("estimate", "rms"), (naive, "rms_naive"), ("spline in arc", "rms_arc")):
        print(f"  {name:18s} {_over([r[key] for r in good])}")
    floor = 1e3 * np.sqrt(np.mean([r["floor"] ** 2 for r in good]))
    print(f"  a hidden marker's own place off the axis, which nothing seen tells: {floor:.1f}")
    ratio = np.array([r["rms"] / min(r["rms_naive"], r["rms_arc"]) for r in good])
    print(
        f"  over the better of the two: median {np.median(ratio):.2f}, best {ratio.min():.2f}, "
        f"worst {ratio.max():.2f}; half or less in {(ratio <= 0.5).sum()} of {ratio.size}"
    )
    cover = np.array([r["cover"] for r in good])
    print(f"  coordinates within 95 %: mean {cover.mean():.3f}, lowest {cover.min():.3f}")
    for line in sorted({r["take"].split("/")[0] for r in good}):
        own = [r for r in good if r["take"].startswith(line)]
        rms, arc, plain = (
            1e3 * np.sqrt(np.mean([r[k] ** 2 for r in own]))
            for k in ("rms", "rms_arc", "rms_naive")
        )
        stiff = np.median([r["stiffness"] for r in own])
        print(
            f"  {line}: {len(own)} takes, estimate {rms:.1f}, {naive} {plain:.1f}, arc {arc:.1f}; "
            f"covered {np.mean([r['cover'] for r in own]):.3f}; floor "
            f"{1e3 * own[0]['floor']:.1f}; stiffness {stiff:.2f} of its guess"
        )
    print(f"  seconds a take: {np.mean([r['wall_s'] for r in good]):.1f}")


RUNS = {"A": "every second marker withheld", "B": "all inner markers withheld for 0.5 s"}
NOTES = (
    "Each take is a trial folder, run by `lashwave reconstruct --withhold`; of stations, stand-off "
    "and stiffness the folder says no more than a tape would.",
)


def refused(records: list[dict[str, Any]]) -> list[str]:
    """A note on takes for which the command gave no motion, and so no figure."""
    lost = [f"{r['take']} ({RUNS[r['run']]})" for r in records if "failed" in r]
    return [f"Refused, and in no figure: {', '.join(lost)}."] if lost else []


def figures_of(records: list[dict[str, Any]], run: str) -> list[Figure]:
    """One run over all takes, for the docs."""
    good = [r for r in records if r["run"] == run and "failed" not in r]
    if not good:
        return []
    rms = 1e3 * np.array([r["rms"] for r in good])
    arc, plain = (1e3 * np.array([r[f"rms_{k}"] for r in good]) for k in ("arc", "naive"))
    ratio = rms / np.minimum(arc, plain)
    cover = 100 * np.array([r["cover"] for r in good])
    goal = 0.8 if run == "A" else 0.5
    truth = REAL
    return [
        Figure(f"{RUNS[run]}: position, RMS [mm]", truth, len(good), float(np.median(rms)),
               float(rms.max()), holds=f"{cover.mean():.1f} % of coordinates",
               beside=f"along the line {np.median(arc):.0f} mm, plain {np.median(plain):.0f} mm"),
        Figure(f"{RUNS[run]}: over the better plain method", truth, len(good),
               float(np.median(ratio)), float(ratio.max()), f"{goal:g} in the median",
               bool(np.median(ratio) <= goal)),
        *_floor(good, run),
        Figure(f"{RUNS[run]}: coverage of 95 % intervals [%]", truth, len(good),
               float(cover.mean()), float(cover.min()), "90 to 99 in the mean",
               bool(90 <= cover.mean() <= 99)),
    ]  # fmt: skip


def _floor(good: list[dict[str, Any]], run: str) -> list[Figure]:
    """Where markers are hidden throughout: what their own place off the axis leaves."""
    if run != "A":
        return []
    share = np.array([r["floor"] / min(r["rms_naive"], r["rms_arc"]) for r in good])
    return [
        Figure(f"{RUNS[run]}: a hidden marker's own scatter off the axis, over the better plain "
               "method", REAL, len(good), float(np.median(share)), float(share.max())),
    ]  # fmt: skip
