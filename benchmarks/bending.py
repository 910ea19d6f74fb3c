"""Which couple a joint should feel: three laws of its bend against the elastica, by links.

Run: python -m benchmarks.bending

A joint bent by the angle phi stores k/2 times its bend squared, k the bending stiffness over the
joint's span, with one of three bends: 2 sin(phi/2), phi, 2 tan(phi/2). All three have one limit;
the table says how soon each comes near it. Links are straight and rigid as the simulator's, or
arcs of equal curvature whose chords are shorter by sin(x) / x, x = phi / 2, as the estimator's.
Planar, in plain numpy: nothing of the package is used.

Truths: a clamped line with a load at its end (Bisshopp and Drucker, Q. Appl. Math. 3 (1945) 272;
their table again by elliptic integrals) and under its own weight (boundary-value solver, 1e-9); a
line bent to a circle by couples at its ends (phi is the turn exactly, geometry).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.optimize import root

from lashwave.quantities.arrays import Array

Law = Callable[[Array], Array]

# the couple over stiffness: half the slope of the bend squared
LAWS: dict[str, Law] = {
    "2 sin(phi/2)": np.sin,
    "phi": lambda phi: phi,
    "2 tan(phi/2)": lambda phi: 2.0 * np.tan(0.5 * phi) / np.cos(0.5 * phi) ** 2,
}


def shape(angle: Array, length: float, arcs: bool) -> Array:
    """Nodes (N + 1, 2) of links at these angles below the level, clamped level at the origin."""
    chord = np.full(angle.size, length)
    if arcs:
        # a joint's curvature is its bend over its span, half a link at the clamp; 0 at the end
        bend = np.diff(np.concatenate([[0.0], angle])) / length
        bend[0] *= 2.0
        square = 0.5 * (bend**2 + np.append(bend[1:], 0.0) ** 2)
        square[-1] = bend[-1] ** 2 / 3.0
        x = 0.5 * length * np.sqrt(square)
        chord = length * np.sinc(x / np.pi)
    steps = chord[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])


def settled(links: int, weight: Array, law: Law, arcs: bool) -> tuple[Array, float]:
    """Tip (2,) and largest bend [rad] of a unit line of unit stiffness; weight (N,) hung on links.

    weight[j] is what hangs outboard of link j's far end, its own half included.
    """
    length = 1.0 / links
    stiffness = np.full(links, float(links))
    stiffness[0] *= 2.0  # the clamp is half a link from the first link's middle

    def rest(angle: Array, share: float) -> Array:
        couple = stiffness * law(np.diff(np.concatenate([[0.0], angle])))
        return couple - np.append(couple[1:], 0.0) - share * weight * length * np.cos(angle)

    angle = np.zeros(links)
    for share in np.linspace(0.1, 1.0, 10):
        found = root(rest, angle, args=(share,), tol=1e-13)
        angle = found.x
        if np.abs(rest(angle, share)).max() > 1e-9 * max(1.0, weight.max() * length):
            return np.full(2, np.nan), np.nan
    return shape(angle, length, arcs)[-1], float(np.abs(np.diff(angle, prepend=0.0)).max())


def end_load(links: int) -> Array:
    """A load of 10 B / L^2 at the end."""
    return np.full(links, 10.0)


def own_weight(links: int) -> Array:
    """20 B / L^2 in all, evenly spread."""
    return 20.0 / links * (links - np.arange(links) - 0.5)


CASES = (
    ("load at the end, P L^2 / B = 10", end_load, (0.445004, 0.810609)),
    ("own weight, w L^3 / B = 20", own_weight, (0.445232, 0.829881)),
)


def circle() -> None:
    """Turn of a joint under a couple that bends the line to `turn` a link, over that turn."""
    print("couple of a circle: turn of the joint over the true one")
    print("turn a link [rad]  " + "  ".join(f"{name:>13s}" for name in LAWS))
    for turn in (0.1, 0.3, 0.6, 0.9, 1.2, 1.5):
        row = []
        for law in LAWS.values():
            found = root(lambda x, law=law, turn=turn: law(x) - turn, [0.8 * turn], tol=1e-13)
            row.append(found.x[0] / turn if found.success else np.nan)
        print(f"{turn:17.1f}  " + "  ".join(f"{value:13.4f}" for value in row))


def main() -> None:
    circle()
    for name, weight, (reach, drop) in CASES:
        for arcs in (False, True):
            print(f"\n{name}; {'arcs' if arcs else 'straight links'}: tip's error / length")
            print("links  bend [rad]  " + "  ".join(f"{law:>13s}" for law in LAWS))
            for links in (3, 4, 5, 6, 8, 10, 20, 40):
                found = [settled(links, weight(links), law, arcs) for law in LAWS.values()]
                off = [np.hypot(tip[0] - reach, tip[1] - drop) for tip, _ in found]
                print(f"{links:5d}  {found[1][1]:10.2f}  " + "  ".join(f"{v:13.5f}" for v in off))


if __name__ == "__main__":
    main()
