"""How far the design law is off for whole strokes of a hand, which are outside its family.

Run: python benchmarks/strokes.py [--count N] [--law N] [--keep]

A line of the family lies straight behind the hand, rising, at rest. The hand pulls it forward,
brakes, sinks and turns the line's butt over; the fold is what comes of that. Each throw is asked of
the law in the only way there is, with what the line does when the hand has ended its stroke: how
fast and where to it flies beyond its fold, taken back to the butt by V^2 m, and how wide it is
folded. Beside that, whether any law of the stroke itself could do better: the same Gaussian process
on the line's groups and the stroke's own numbers, judged on throws that it was not fitted to.
"""

from __future__ import annotations

import argparse

import figures
import numpy as np
import pandas as pd
from figures import Figure
from scipy.stats import qmc

from lashwave.mechanics import Grip, Member, setup, together
from lashwave.quantities import TRIAL_GRAVITY
from lashwave.study import design_law, ensemble, groups, one_throw, throw_family as family
from lashwave.study.closed_forms import LEFT, fold_speed, fold_time, mass_beyond

STROKE = {
    "amplitude": (1.0, 1.6), "time": (0.14, 0.22), "direction": (-0.2, 0.2), "drop": (0.2, 0.45),
    "follow": (-0.1, 0.2), "braking": (0.2, 0.4), "back": (-0.6, -0.25), "turn": (0.0, 0.3),
}  # fmt: skip
"""Way [m] and time [s] of the hand's stroke, its slope [rad], how far it sinks [m], its speed after
over its greatest, the share of its time that it brakes, slope of the resting line [rad] (below 0:
it rises behind), and how early, over the time before it brakes, it begins to turn."""
LINES = [item for item in family.INPUTS if item.whose != "hand"]
STEP, LOT, OUT, BACK = 2.5e-4, 64, 0.6, 0.05
"""Between places [s]; throws at once; over the length, how far from the hand a tip must come for
its speed to count, and how far it comes back until a throw is over."""


def drawn(count: int, seed: int) -> list[dict[str, float]]:
    """Throws that fill all ranges evenly."""
    share = qmc.Sobol(len(LINES) + len(STROKE), rng=seed).random(1 << (count - 1).bit_length())
    lines = np.zeros((count, len(family.INPUTS)))
    place = [family.NAMES.index(item.name) for item in LINES]
    lines[:, place] = share[:count, : len(LINES)]
    lines = family.scaled(lines)[:, place]
    hands = [
        low + (high - low) * share[:count, len(LINES) + k]
        for k, (low, high) in enumerate(STROKE.values())
    ]
    names = [*(item.name for item in LINES), *STROKE]
    return [dict(zip(names, map(float, row), strict=True))
            for row in np.column_stack([lines, *hands])]  # fmt: skip


def greatest(throw: dict[str, float]) -> float:
    """Greatest speed of the hand [m/s]: it grows and falls smoothly."""
    return 2.0 * throw["amplitude"] / (throw["time"] * (1.0 + throw["follow"] * throw["braking"]))


def smooth(x: np.ndarray) -> np.ndarray:
    """From 0 to 1 with no jump of the second derivative."""
    x = np.clip(x, 0.0, 1.0)
    return x**3 * (10.0 - 15.0 * x + 6.0 * x * x)


def axes_of(throw: dict[str, float]) -> tuple[np.ndarray, np.ndarray]:
    """Unit vectors (3,) along the stroke and over it."""
    ahead = family.forward(throw)
    return ahead, np.array([-ahead[2], 0.0, ahead[0]])


def hand_of(throw: dict[str, float], until: float) -> Grip:
    """The whole stroke, and the hand's way afterwards."""
    brakes = throw["braking"] * throw["time"]
    pull = throw["time"] - brakes
    fine = np.linspace(0.0, until + 0.02, 4001)
    slower = 1.0 - (1.0 - throw["follow"]) * smooth((fine - pull) / brakes)
    speed = greatest(throw) * np.where(fine < pull, smooth(fine / pull), slower)
    way = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(fine))])
    t = np.arange(0.0, fine[-1], 5e-3)
    ahead, over = axes_of(throw)
    sunk = throw["drop"] * smooth((t - pull) / (1.5 * brakes))
    begin = pull * (1.0 - throw["turn"])
    angle = (np.pi + throw["back"]) * (1.0 - smooth((t - begin) / (throw["time"] - begin)))
    place = np.interp(t, fine, way)[:, None] * ahead - sunk[:, None] * over
    return Grip(t, place, np.cos(angle)[:, None] * ahead + np.sin(angle)[:, None] * over)


def member_of(throw: dict[str, float]) -> Member:
    """The throw as the engine takes it, at rest."""
    form = float(fold_time(throw["tip_ratio"], throw["taper"])[0])
    until = throw["time"] + 1.8 * form * throw["length"] / greatest(throw)
    chain, grip = family.chain_of(throw, one_throw.LINKS), hand_of(throw, until)
    ready = setup(chain, grip, family.air_of(throw), TRIAL_GRAVITY, family.law_of(throw))
    ahead, over = axes_of(throw)
    slope = np.pi + throw["back"]
    place = chain.station[:, None] * (np.cos(slope) * ahead + np.sin(slope) * over)
    return Member(ready, chain.node_mass, place, np.zeros_like(place), 0.0, until)


def at_stop(throw: dict[str, float], place: np.ndarray, before: np.ndarray) -> dict[str, float]:
    """The throw as the family describes it, from places (N + 1, 3) [m] one STEP apart."""
    moved = (place - before) / STEP
    arm = moved[-len(moved) // 5 :].mean(axis=0)
    speed = float(np.linalg.norm(arm))
    along = arm / speed
    against = np.diff(place, axis=0) @ along < 0.0  # the arm follows its tip
    bent = np.flatnonzero(~against)
    fold = int(bent[-1]) + 1 if bent.size else 0
    left = 1.0 - float(family.nodes_of(throw, one_throw.LINKS)[fold]) / throw["length"]
    beyond = float(mass_beyond(max(left, 0.02), throw["tip_ratio"], throw["taper"]))
    aside = place[-1] - place[0]
    first = speed * beyond**0.5
    return {
        **{item.name: throw[item.name] for item in LINES}, "time": throw["time"],
        "amplitude": first * throw["time"] / family.PEAK_RATE,
        "direction": float(np.arctan2(along[2], along[0])),
        "loop": max(float(np.linalg.norm(aside - (aside @ along) * along)), 1e-3),
        "follow": float(moved[0] @ along) / first,
    }  # fmt: skip


def peak_of(throw: dict[str, float], place: np.ndarray, times: np.ndarray) -> tuple[float, float]:
    """Greatest speed of the tip [m/s] as the line unrolls, and when; nan where it does not."""
    tip, length = place[:, -1].astype(float), throw["length"]
    away = np.linalg.norm(tip - place[:, 0], axis=1)
    speed = np.linalg.norm(np.diff(tip, axis=0), axis=1) / STEP
    start = int(np.searchsorted(times, throw["time"]))
    nearest = np.fmin.accumulate(away[start:])
    turned = np.flatnonzero(away[start:] > nearest + BACK * length)  # it flies past the hand
    near = start + int(np.nanargmin(away[start : start + turned[0]])) if turned.size else start
    out = np.flatnonzero(away[near:] > OUT * length)
    if not turned.size or not out.size:
        return np.nan, np.nan
    back = away[near + out[0] :]
    over = np.flatnonzero((back < np.fmax.accumulate(back) - BACK * length) | ~np.isfinite(back))
    end = near + out[0] + (int(over[0]) if over.size else back.size) - 1
    if end <= near:
        return np.nan, np.nan
    top = near + int(np.nanargmax(speed[near:end]))
    return float(speed[top]), float(times[top + 1])


def computed(throws: list[dict[str, float]]) -> pd.DataFrame:
    """Peaks of all throws, and each as the family describes it when the hand has stopped."""
    times, rows = np.arange(0.1, 0.8, STEP), []
    for at in range(0, len(throws), LOT):
        part = throws[at : at + LOT]
        found = together([member_of(t) for t in part], one_throw.fineness(), threads=1,
                         beyond=one_throw.end_of(one_throw.LINKS), times=times)  # fmt: skip
        for throw, place in zip(part, found.place, strict=True):
            stop = int(np.searchsorted(times, throw["time"]))
            peak, when = peak_of(throw, place, times)
            state = at_stop(throw, place[stop].astype(float), place[stop - 1].astype(float))
            own = {f"stroke_{name}": throw[name] for name in STROKE}
            rows.append({**state, **own, "peak": peak, "after": when - throw["time"],
                         "hand": greatest(throw)})  # fmt: skip
        print(f"{len(rows)} throws", flush=True)
    return pd.DataFrame(rows)


def by_stroke(table: pd.DataFrame) -> np.ndarray:
    """Errors (M,) [1] of a process on the line's groups and the stroke, each throw held out."""
    as_family = table.assign(
        amplitude=table["hand"] * table["time"] / family.PEAK_RATE,
        direction=table["stroke_direction"], follow=table["stroke_follow"],
        loop=table["stroke_drop"],
    )  # fmt: skip
    places = groups.group_table(as_family)
    places["way"] = np.log(table["stroke_amplitude"] / table["length"])
    for name in ("braking", "back", "turn"):
        places[name] = table[f"stroke_{name}"]
    x = ((places - places.mean()) / places.std()).to_numpy()
    form = fold_speed(LEFT, table["tip_ratio"], table["taper"]) * table["hand"]
    y = np.log(table["peak"] / form).to_numpy()
    y, random = y - y.mean(), np.random.default_rng(0)
    theta = design_law._process(x[:400], y[:400], None).kernel_.theta
    fold, miss = random.permutation(len(y)) % 5, np.zeros(len(y))
    for k in range(5):
        miss[fold == k] = y[fold == k] - design_law._process(
            x[fold != k], y[fold != k], theta
        ).predict(x[fold == k])
    return np.expm1(np.abs(miss))


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=1024)
    parser.add_argument("--law", type=int, default=1500, help="throws of the family for its law")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    asked = parser.parse_args()
    table = computed(drawn(asked.count, 1))
    good = table[np.isfinite(table["peak"])].reset_index(drop=True)
    of_family = ensemble.run(ensemble.draw(asked.law, 0), processes=1)
    law = design_law.fit_law(of_family, ("peak_speed", "crack_time"))
    said = law.predict(good)
    off = np.abs(said["peak_speed"] / good["peak"] - 1.0).to_numpy()
    late = np.abs(said["crack_time"] / good["after"] - 1.0).to_numpy()
    held = (good["peak"] > said["peak_speed_low"]) & (good["peak"] < said["peak_speed_high"])
    within = (said["outside"] == "").to_numpy()
    own = by_stroke(good)
    found = [
        Figure("peak speed by the law, all whole strokes [%]", figures.TWIN, len(good),
               100 * float(np.median(off)), None, "5 in the median", bool(np.median(off) < 0.05),
               f"{held.mean():.1%}", beside=f"nine tenths under {100 * np.quantile(off, 0.9):.0f}"),
        Figure("the same, of which no group is outside the law's range [%]", figures.TWIN,
               int(within.sum()), 100 * float(np.median(off[within])), None, "5 in the median",
               bool(np.median(off[within]) < 0.05), f"{held[within].mean():.1%}"),
        Figure("time from the hand's stop to the peak by the law [%]", figures.TWIN, len(good),
               100 * float(np.median(late)), None),
        Figure("peak speed by a process fitted to whole strokes [%]", figures.TWIN, len(good),
               100 * float(np.median(own)), None, "5 in the median", bool(np.median(own) < 0.05),
               beside=f"nine tenths under {100 * np.quantile(own, 0.9):.0f}; one number for all: "
               f"spread {100 * float(np.std(np.log(good['peak'] / good['hand']))):.0f}"),
    ]  # fmt: skip
    for one in found:
        print(one)
    if asked.keep:
        figures.save("strokes", "Design law and whole strokes of a hand", found, [
            f"{len(good)} of {len(table)} lines unroll. Of {int((~within).sum())} the law says "
            f"itself that they are outside its range. It is fitted to {law.throws} throws of its "
            "family."
        ])  # fmt: skip


if __name__ == "__main__":
    main()
