"""Models compared: the fold of a falling chain, and the swing of a real 1.8 m line.

Run: python -m benchmarks.models [--keep] [TRIAL ANSWERS ...]

With trials and what `reconstruct` wrote for them, models of the forces are ranked too.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from scipy.integrate import quad

from benchmarks import figures
from benchmarks.figures import REAL, Figure
from benchmarks.hanging_swing import Hanging, decay, friction_needed, pivot_rate
from benchmarks.planar_chain import folded_fall
from benchmarks.score import band
from lashwave.mechanics.air import medium
from lashwave.quantities.trial import Air
from lashwave.study.fold_evidence import Record, judge

G, LENGTH, RATIO = 9.80665, 1.0, 0.847213
NOISE = 2e-3
"""Of one height [m]."""
DIAMETERS = (0.010, 0.015, 0.020)
"""Of the real line, not published; 15 mm is leather of 0.95 g/cm3 [m]."""
MEASURED, AMPLITUDE, WATCHED = 29.24, 0.2, 20.0
"""Decay time [s], displacement [m] and record [s] of Nah et al., IEEE BioRob 2020."""


def by_quadrature(square: object, step: float = 1e-3, until: float = 0.97) -> tuple:  # type: ignore[type-arg]
    """Times and heights of a free end whose speed squared is a function of u, by quadrature."""
    share = np.linspace(0, np.sqrt(until), 400) ** 2
    part = [
        quad(lambda w: 2 * w / np.sqrt(square(w * w)), np.sqrt(a), np.sqrt(b))[0]  # type: ignore[operator]
        for a, b in zip(share[:-1], share[1:], strict=True)
    ]
    time = np.sqrt(LENGTH / G) * np.concatenate([[0.0], np.cumsum(part)])
    at = np.arange(0, time[-1], step)
    root = np.interp(at, time, np.sqrt(share))  # the distance starts as a square of the time
    return at, -LENGTH * root**2


def energy(u: float) -> float:
    """v^2 / (g L) of the energy-keeping fold."""
    return u * (2 - u) / (1 - u)


def plastic(u: float) -> float:
    """v^2 / (g L) of the plastic fold."""
    return 2 * u


def folds() -> list[Figure]:
    """The two classical folds on data of each, and on chains of links."""
    data = {
        "energy-keeping, quadrature": (*by_quadrature(energy), 0.0, np.inf),
        "plastic, quadrature": (*by_quadrature(plastic), 0.0, np.inf),
        "planar chain, 80 links": (*folded_fall(80, 0.05), 0.05, 80),
        "planar chain, 160 links": (*folded_fall(160, 0.025), 0.025, 160),
    }
    print(f"fold of a falling chain, 1 m, {1e3 * NOISE:.0f} mm noise at 1 kHz; reference {RATIO}")
    print("data                         ratio    interval           energy less plastic (s.e.)")
    for name, (time, height, gap, links) in data.items():
        noisy = height + NOISE * np.random.default_rng(11).standard_normal(time.size)
        v = judge(Record(time, noisy, LENGTH, gap=gap, links=links))
        low, high = v.ratio95
        total, error = v.difference
        print(
            f"{name:28s} {v.ratio[0]:.4f}   {low:.4f} to {high:.4f}   "
            f"{total:+8.0f} +- {error:4.0f}   ({total / error:+.1f})"
        )
    time, height, *_ = data["energy-keeping, quadrature"]
    held, wins = 0, 0
    for seed in range(100, 140):
        noisy = height + NOISE * np.random.default_rng(seed).standard_normal(time.size)
        v = judge(Record(time, noisy, LENGTH))
        held += v.ratio95[0] <= RATIO <= v.ratio95[1]
        wins += v.difference[0] > 3 * v.difference[1]
    print(f"40 records: ratio in its interval {held}, energy kept by over 3 s.e. {wins}")
    low, high = band(40)
    return [
        Figure("fall time over free fall, 0.847 by theory: records whose interval holds it",
               "closed form", 40, float(held), goal=f"{low} to {high}", met=low <= held <= high),
        Figure("records that prefer the energy-keeping fold by 3 standard errors", "closed form",
               40, float(wins), goal="40", met=wins == 40),
    ]  # fmt: skip


def swing() -> list[Figure]:
    """Frequency and decay of the real line."""
    air = medium(Air())
    line = Hanging(1.8, 0.3, DIAMETERS[1])
    print(f"\nswing of a real 1.8 m line: {line.frequency:.4f} Hz from its length, 0.45 measured "
          f"({line.frequency / 0.45 - 1:+.1%})")  # fmt: skip
    print("diameter   decay by drag over 20 s, from 0.2 m   friction must carry   share")
    needed = []
    for diameter in DIAMETERS:
        one = Hanging(1.8, 0.3, diameter)
        tau = decay(one, air, AMPLITUDE, WATCHED).constant
        rate = friction_needed(one, air, AMPLITUDE, WATCHED, MEASURED)
        needed.append(rate)
        print(f"{1e3 * diameter:5.0f} mm {tau:22.0f} s {rate:29.4f} 1/s {rate * MEASURED:12.0%}")
    rng = np.random.default_rng(5)
    drawn = [
        friction_needed(
            Hanging(1.8, 0.3, rng.uniform(DIAMETERS[0], DIAMETERS[-1])), air, AMPLITUDE, WATCHED,
            MEASURED, drag_scale=float(np.exp(0.15 * rng.standard_normal())),
        )
        for _ in range(40)
    ]  # fmt: skip
    mean, sd = np.mean(drawn), np.std(drawn, ddof=1)
    couple = mean / pivot_rate(line, 1.0)
    print(f"friction over diameters of 10 to 20 mm and 15 % of drag: {mean:.4f} +- {sd:.4f} 1/s, "
          f"a couple of {couple:.3f} N m s/rad at the pivot")  # fmt: skip
    off = 100 * (line.frequency / 0.45 - 1)
    return [
        Figure("frequency of a hanging line of 1.8 m, 0.45 Hz measured [%]", REAL, 1, abs(off)),
        Figure("share of the measured decay that drag cannot carry, mean [%]", REAL, 40,
               100 * float(mean) * MEASURED, 100 * float(max(drawn)) * MEASURED),
    ]  # fmt: skip


def ranked(trials: list[str], answers: list[str]) -> None:
    """Models of the forces, by forecasts."""
    from lashwave.pipeline import silent
    from lashwave.workbench import rank_command

    found = rank_command.run([Path(t) for t in trials], [Path(a) for a in answers], 20e-3, False,
                            silent)  # fmt: skip
    rank_command.show(found, Path("(nothing)"))


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if word != "--keep"]
    found = folds() + swing()
    if len(words) < len(sys.argv) - 1:
        figures.save("models", "Models of the fold and of the air", found,
                     typed="python -m benchmarks.models --keep")  # fmt: skip
    if words:
        ranked(words[::2], words[1::2])
