"""Figures of many whole trials, from the records that `trials.py` keeps."""

from __future__ import annotations

from typing import Any

import numpy as np
from figures import ENGINE, TWIN, Figure
from score import band

POSITIONS = (
    ("seen", "position where markers are seen, RMS [mm]", 1.0),
    ("lost", "position where markers are lost, RMS [mm]", 4.0),
    ("peak_lost", "position lost within 10 ms of the peak, RMS [mm]", 8.0),
)
"""Part, words, goal of the pooled RMS [mm]."""
COVERED = (("seen", 0.90, 0.99), ("lost", 0.90, 0.99), ("peak", 0.90, 0.99))
ANSWERS = (
    ("peak_tip_speed", "peak tip speed [%]", 100, True, 5.0),
    ("peak_tip_speed_100us", "peak tip speed over 100 us [%]", 100, True, 3.0),
    ("peak_tip_speed_time", "time of the peak [ms]", 1e3, False, None),
    ("sonic_time", "time of the first sonic speed [ms]", 1e3, False, 0.1),
    ("sonic_station", "station first sonic [mm]", 1e3, False, 30.0),
    ("full_extension_time", "time of full extension [ms]", 1e3, False, None),
    ("clock_offset:tip-view", "clock offset of the camera [us]", 1e6, False, 15.0),
    ("hand_work", "work of the hand [%]", 100, True, 3.0),
    ("hand_impulse", "impulse of the hand [%]", 100, True, 2.0),
    ("peak_grip_tension", "peak tension 10 mm after the grip [%]", 100, True, 5.0),
    ("peak_kinetic_energy", "peak kinetic energy [%]", 100, True, None),
    ("damping_loss", "energy lost in the line, of the hand's work [%]", 100, None, None),
)
"""Name, words, scale, relative to the truth (None: to the hand's work), goal."""
SCALES = ("drag_normal", "drag_tangential", "drag_tuft", "stiffness_scale", "damping_time")


def judged(errors: np.ndarray, goal: float | None) -> tuple[str, bool | None]:
    """A goal is met where nine of ten trials are within it."""
    if goal is None or not errors.size:
        return "", None
    met = bool(np.mean(errors <= goal) >= 0.9)
    return f"{goal:g} in 9 of 10", met


def positions(good: list[dict[str, Any]], truth: str) -> list[Figure]:
    """Root mean squares by trial, pooled against the goal; coverage of 95 % intervals."""
    rows = []
    for part, words, goal in POSITIONS:
        picked = [r for r in good if r["motion"].get(f"rms_{part}")]
        if not picked:
            continue
        rms = 1e3 * np.array([r["motion"][f"rms_{part}"] for r in picked])
        plain = 1e3 * np.array([r["motion"][f"naive_{part}"] for r in picked])
        pooled = float(np.sqrt((rms**2).mean()))
        cover = "peak" if part == "peak_lost" else part
        held = np.array([r["motion"][f"cover_{cover}"] for r in picked])
        rows.append(
            Figure(
                words, truth, len(picked), float(np.median(rms)), float(rms.max()),
                f"{goal:g} pooled ({pooled:.2g})", pooled <= goal,
                f"{100 * held.mean():.1f} % of coordinates (lowest trial {100 * held.min():.0f} %)",
                None, f"splines {np.median(plain):.0f} mm",
            )
        )  # fmt: skip
        low, high = 0.90, 0.99
        rows.append(
            Figure(
                f"coverage of 95 % intervals, {cover} [%]", truth, len(picked),
                100 * float(held.mean()), 100 * float(held.min()),
                "90 to 99 in the mean", bool(low <= held.mean() <= high),
            )
        )  # fmt: skip
        wide = np.array(
            [r["motion"][f"wide_{cover}"] for r in picked if f"wide_{cover}" in r["motion"]]
        )
        if wide.size:
            rows.append(
                Figure(f"stated deviation over error, {cover}, both RMS", truth, wide.size,
                       float(np.median(wide)), float(wide.max()), "1.5 at most in the median",
                       bool(np.median(wide) <= 1.5))
            )  # fmt: skip
    return rows


def hits(picked: list[dict[str, Any]]) -> str:
    """How many intervals hold the truth, of how many, and the binomial band."""
    inside = [a["inside"] for a in picked if a["inside"] is not None]
    if not inside:
        return ""
    low, high = band(len(inside))
    out = "" if low <= sum(inside) <= high else ", outside"
    return f"{sum(inside)} of {len(inside)} [{low}, {high}]{out}"


def answers(good: list[dict[str, Any]], truth: str) -> list[Figure]:
    """Errors of the answers, and counts of their intervals."""
    rows = []
    for name, words, scale, relative, goal in ANSWERS:
        errors, picked = [], []
        for record in good:
            found = record["answers"].get(name)
            if not found or found["truth"] is None:
                continue
            picked.append(found)
            if found["value"] is None:
                continue
            by = 1.0
            if relative is None:
                by = abs(record["answers"]["hand_work"]["truth"])
            elif relative:
                by = abs(found["truth"])
            errors.append(scale * abs(found["value"] - found["truth"]) / by)
        if not errors:
            continue
        off = np.array(errors)
        said, met = judged(off, goal)
        rows.append(
            Figure(words, truth, off.size, float(np.median(off)), float(off.max()), said, met,
                   hits(picked))
        )  # fmt: skip
    return rows


def scales(good: list[dict[str, Any]], truth: str) -> list[Figure]:
    """Scales of the law, as logarithms, beside how far the truths spread."""
    rows = []
    for name in SCALES:
        picked = [r["answers"][name] for r in good if name in r["answers"]]
        picked = [a for a in picked if a["truth"] and a["value"]]
        if not picked:
            continue
        true = np.log([a["truth"] for a in picked])
        off = np.abs(np.log([a["value"] for a in picked]) - true)
        rows.append(
            Figure(f"{name}, logarithm", truth, off.size, float(np.median(off)), float(off.max()),
                   holds=hits(picked), spread=float(np.sqrt((true**2).mean())))
        )  # fmt: skip
    return rows


def figures(records: list[dict[str, Any]], engine: bool) -> tuple[list[Figure], list[str]]:
    """All figures of a run, and its notes: trials that failed, and what they cost."""
    truth = ENGINE if engine else TWIN
    good = [r for r in records if "failed" not in r]
    rows = [
        Figure("trials refused", truth, len(records), float(len(records) - len(good)),
               goal="0", met=len(good) == len(records))
    ]  # fmt: skip
    notes = [f"Seed {r['seed']}: {r['failed']}" for r in records if "failed" in r]
    if good:
        rows += positions(good, truth) + answers(good, truth) + scales(good, truth)
        closed = np.array([abs(r["closure"]) for r in good if r.get("closure") is not None])
        if closed.size:
            said, met = judged(100 * closed, 1.0)
            rows.append(Figure("account of energy open, of the hand's work [%]", truth, closed.size,
                               100 * float(np.median(closed)), 100 * float(closed.max()), said,
                               met))  # fmt: skip
        peaks = [r["answers"]["peak_tip_mach"]["truth"] for r in good]
        wall = np.median([r["wall_s"] for r in good])
        notes.append(
            f"Tip Mach {min(peaks):.2f} to {max(peaks):.2f}; {wall:.0f} s a trial in the median, "
            f"at most {max(r['memory_mb'] for r in good)} MB. The spread of the truths of a scale "
            "is their root mean square distance from what is stated: an error is only worth "
            "something where it is smaller."
        )
    return rows, notes
