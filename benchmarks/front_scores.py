"""How `benchmarks/fronts.py` holds fronts and births against the truth of a rendered throw."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from scipy.stats import binom

from lashwave.answers.sound_in_air import speed as sound_of
from lashwave.emission.flanks import renumbered
from lashwave.emission.fronts_and_sounds import birth_of, flanks_of
from lashwave.instruments import project
from lashwave.quantities.arrays import Array
from lashwave.quantities.fit import Draws
from lashwave.quantities.sightings import Fronts
from lashwave.twin.pictures import BenchPictures

NEAR = 3e-3
"""Points this near to the true front are of it [m]."""
COUNTED = 20
"""Points that a number must have on the true front to count."""
LATE, FASTER, ASIDE, CLOCK = 20e-6, 0.01, 4e-3, 3e-6
"""Standard deviations of draws about the true motion: [s], 1, [m], [s]."""
WINDOW = (6e-3, 4e-3)
"""Of the motion, before the peak and after [s]."""
DRAWS = 40


def points_against(taken: BenchPictures, fronts: Fronts) -> dict[str, Any]:
    """Distances of points from the true front along its normal, outward plus, and their share of
    numbers. The true front is that of the tip alone, all its sheets.
    """
    scale = taken.fast[0].scale
    true = np.array([row[1:] for row in taken.found["fronts"]]).reshape(-1, 5)
    away = np.full(fronts.frame.size, np.nan)
    for frame in np.unique(fronts.frame):
        rows = true[true[:, 0] == frame]
        here = np.flatnonzero(fronts.frame == frame)
        if len(rows) > 2:
            away[here] = _off(fronts.uv[here], rows, taken, scale)
    on = np.abs(away) < NEAR * scale
    counts = np.unique(fronts.number[on], return_counts=True)[1]
    score = away[on] / fronts.sd[on]
    return {
        "all": len(away), "on": int(on.sum()), "tracks": int((counts >= COUNTED).sum()),
        "most": float(counts.max() / counts.sum()) if counts.size else None,
        "true_frames": len(np.unique(true[:, 0])) if len(true) else 0,
        "frames": len(np.unique(fronts.frame[on])),
        "off_px": float(np.median(away[on])) if on.any() else None,
        "rms_px": float(np.sqrt(np.mean(away[on] ** 2))) if on.any() else None,
        "sd_px": float(np.median(fronts.sd[on])) if on.any() else None,
        "rms_sd": float(np.sqrt(np.mean(score**2))) if on.any() else None,
        "within": float(np.mean(np.abs(score) < 1.96)) if on.any() else None,
    }  # fmt: skip


def _off(uv: Array, rows: Array, taken: BenchPictures, scale: float) -> Array:
    """Signed distance [px] to the nearest chord of the true front, outward plus; nan far off."""
    best = np.full(len(uv), np.inf)
    signed = np.full(len(uv), np.nan)
    path = taken.truth.path
    for side in (0, 1):
        line = rows[rows[:, 1] == side]
        if len(line) < 2:
            continue
        a, b = line[:-1, 3:], line[1:, 3:]
        chord = b - a
        long = np.linalg.norm(chord, axis=1)
        whole = long < 0.02 * scale
        a, chord, long, tau = a[whole], chord[whole], long[whole], line[:-1, 2][whole]
        sent = project(taken.fast[0].camera, path.at(tau, path.station[-1:])[0][:, 0])
        along = np.einsum("pqc,qc->pq", uv[:, None] - a, chord) / np.maximum(long**2, 1e-12)
        foot = a + np.clip(along, 0.0, 1.0)[..., None] * chord
        gap = np.linalg.norm(uv[:, None] - foot, axis=2)
        gap = np.where((along > -2.0) & (along < 3.0), gap, np.inf)
        near = gap.argmin(axis=1)
        pick = np.arange(len(uv))
        out = foot[pick, near] - sent[near]
        out /= np.maximum(np.linalg.norm(out, axis=1), 1e-9)[:, None]
        size = ((uv - foot[pick, near]) * out).sum(axis=1)
        nearer = gap[pick, near] < best
        best = np.where(nearer, gap[pick, near], best)
        signed = np.where(nearer, size, signed)
    return np.where(np.isfinite(best) & (best < 2 * NEAR * scale), signed, np.nan)


def about_truth(taken: BenchPictures, rng: np.random.Generator | None, count: int) -> Draws:
    """Draws of the motion about the true one, as far off as the head of `benchmarks/fronts.py`
    says, and their middle too; the true motion itself with no `rng`.
    """
    truth, camera = taken.truth, taken.trial.cameras[0]
    path, answers = truth.path, truth.answers
    peak = float(answers["peak_tip_speed_time"] or 0.0)
    keep = (path.time > peak - WINDOW[0]) & (path.time < peak + WINDOW[1])
    time = path.time[keep]
    outer = np.flatnonzero(path.station > 0.8 * path.station[-1])
    size = count if rng is not None else 1
    place, velocity, offset = [], [], []
    common = rng.standard_normal(6) if rng is not None else np.zeros(6)
    for _ in range(size):
        own = rng.standard_normal(6) + common if rng is not None else common
        rate, late = 1.0 + FASTER * own[0], LATE * own[1]
        then = np.clip(peak + rate * (time - late - peak), path.time[0], path.time[-1])
        x, v = path.at(then, path.station[outer])
        place.append(x + ASIDE * own[2:5])
        velocity.append(rate * v)
        offset.append(float(answers[f"clock_offset:{camera.name}"] or 0.0) + CLOCK * own[5])
    shared = {f"clock_offset:{camera.name}": np.array(offset)}
    for axis in "uv":
        name = f"registration_{axis}:{camera.name}"
        shared[name] = np.full(size, float(answers[name] or 0.0))
    shared[f"clock_drift:{camera.name}"] = np.full(size, truth.notes[f"clock_drift:{camera.name}"])
    none = np.zeros((size, time.size))
    return Draws(
        time, path.station[outer], np.array(place, dtype=np.float32),
        np.array(velocity, dtype=np.float32), none, none, none, none, shared,
    )  # fmt: skip


def births(taken: BenchPictures, fronts: Fronts) -> tuple[dict[str, Any], tuple[int, ...]]:
    """Births by the true motion and by draws about it: value, sd and 95 % interval, each less the
    truth; and the numbers that the latter joined.
    """
    true = taken.found["birth"]
    camera = replace(taken.trial.cameras[0], fronts=fronts)
    sound = sound_of(taken.trial.air)
    found: dict[str, Any] = {}
    flanks: tuple[int, ...] = ()
    for way, rng in (("exact", None), ("draws", np.random.default_rng(taken.truth.scene.seed))):
        draws = about_truth(taken, rng, DRAWS)
        flanks = flanks_of(camera, draws, sound)
        born, said = birth_of(camera, flanks, draws, sound)
        if born is None or true is None:
            found[way] = {"said": said, "born": born is not None}
            continue
        across = np.linalg.norm(np.nanmedian(born.place, axis=0) - true["place"])
        row: dict[str, Any] = {"model": born.model, "misfit": born.misfit, "said": said}
        row["flanks"] = len(flanks)
        one = points_against(taken, renumbered(fronts, flanks))
        row["tracks"], row["most"] = one["tracks"], one["most"]
        row["place_off"] = float(across)
        for name, values in (("time", born.time), ("station", born.station)):
            low, middle, high = np.nanquantile(values, [0.025, 0.5, 0.975])
            sd = float(np.nanstd(values, ddof=1)) if np.isfinite(values).sum() > 1 else None
            row[name] = [middle - true[name], sd, low - true[name], high - true[name]]
        found[way] = row
    return found, flanks


def _median(values: list[float]) -> str:
    known = np.abs([v for v in values if v is not None and np.isfinite(v)])
    if not known.size:
        return "none"
    return f"{np.median(known):.2f} (worst {known.max():.2f}, {known.size} throws)"


def print_report(records: list[dict[str, Any]]) -> None:
    """A line for each throw, then medians and worst."""
    seen = [r for r in records if r["points"] is not None and r["points"]["on"]]
    print(f"{len(records)} throws, {len(seen)} of them with fronts seen")
    for r in records:
        if r["points"] is not None and not r["points"]["true_frames"]:
            born = [way for way, row in r["births"].items() if row.get("born")]
            print(
                f"seed {r['seed']}, Mach {r['mach']:.2f}: no front in view, {r['points']['all']} "
                f"points found all the same; a birth told of {', '.join(born) or 'none'}"
            )
    for r in seen:
        p = r["points"]
        print(
            f"seed {r['seed']}, Mach {r['mach']:.2f}: {p['on']} of {p['all']} points on the front, "
            f"in {p['frames']} of {p['true_frames']} frames, {p['tracks']} numbers, "
            f"{p['most']:.0%} in one; "
            f"off {p['off_px']:+.2f} px, RMS {p['rms_px']:.2f} px = {p['rms_sd']:.2f} sd, "
            f"{p['within']:.0%} within 1.96 sd"
        )
        for way, row in r["births"].items():
            if "time" not in row:
                print(f"  {way}: {'; '.join(row['said']) or 'none asked for'}")
                continue
            t, s = row["time"], row["station"]
            print(
                f"  {way}: {row['flanks']} flanks joined, {row['tracks']} numbers left, "
                f"{row['most']:.0%} in one; {row['model']}, misfit {row['misfit']:.2f}, "
                f"born {1e6 * t[0]:+.1f} us "
                f"(sd {1e6 * (t[1] or np.nan):.1f}), {1e3 * s[0]:+.1f} mm along the line "
                f"(sd {1e3 * (s[1] or np.nan):.1f}), {1e3 * row['place_off']:.1f} mm off in space"
            )
    for name, key in (("numbers a front", "tracks"), ("RMS [px]", "rms_px"), ("in sd", "rms_sd")):
        print(f"{name}: {_median([r['points'][key] for r in seen])}")
    for way in ("exact", "draws"):
        rows = [r["births"][way] for r in seen if "time" in r["births"].get(way, {})]
        if not rows:
            continue
        print(f"births by {way}, {len(rows)} throws:")
        print(f"  numbers a front after joining: {_median([r['tracks'] for r in rows])}")
        print(f"  time [us]: {_median([1e6 * r['time'][0] for r in rows])}; goal 30")
        print(f"  station [mm]: {_median([1e3 * r['station'][0] for r in rows])}")
        print(f"  place [mm]: {_median([1e3 * r['place_off'] for r in rows])}; goal 30")
        if way == "exact":
            continue
        low, high = binom.interval(0.999, len(rows), 0.95)
        for name in ("time", "station"):
            z = [r[name][0] / r[name][1] for r in rows]
            held = sum(r[name][2] <= 0.0 <= r[name][3] for r in rows)
            print(
                f"  {name} in its sd: {_median(z)}, RMS {np.sqrt(np.mean(np.square(z))):.2f}; "
                f"{held} of {len(rows)} intervals hold (99.9 % band {low:.0f} to {high:.0f})"
            )
