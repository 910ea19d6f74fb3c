"""Dots of a second renderer, and what `find_dots` makes of them where two touch.

    python -m benchmarks.second_dots [--keep]

Nothing here shares code with `lashwave.twin`. A ball is a disc that is brighter in its middle
(retroreflection, cos^2 of the angle of incidence), seen through a defocused lens with wide wings
(a disc of confusion, then a Moffat profile of exponent 2.5), by a sensor with columns of unlike
gain, a slope of stray light, photon noise and 10 bit stored in 16. Motion is drawn by moments
over the exposure.
"""

from __future__ import annotations

import argparse

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from benchmarks import figures
from benchmarks.figures import TWIN, Figure
from lashwave.points.dots.find_dots import find_dots

FINE = 4
"""Samples a pixel and side."""
FULL = 1023
"""Of a 10-bit sensor [grey levels]."""


def moffat(defocus: float, core: float) -> NDArray[np.float64]:
    """Spread of a point's light on the fine grid: confusion [px], core of the wings [px]."""
    reach = int(FINE * 12)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1] / FINE
    wings = (1.0 + (x * x + y * y) / core**2) ** -2.5
    disc = (np.hypot(x, y) <= max(defocus, 0.5 / FINE)).astype(float)
    whole = fftconvolve(wings, disc, mode="same")
    return whole / whole.sum()


def picture(
    size: tuple[int, int],
    places: NDArray[np.float64],
    radius: float,
    rng: np.random.Generator,
    moved: NDArray[np.float64] | None = None,
    peak: float = 600.0,
) -> NDArray[np.uint16]:
    """One image (H, W) of balls at places (N, 2) [px] of a radius [px], 10 bit in 16.

    moved : (N, 2) [px], their way during the exposure.
    """
    width, height = size
    light = np.zeros((height * FINE, width * FINE))
    for n, place in enumerate(places):
        way = np.zeros(2) if moved is None else moved[n]
        moments = max(1, int(np.hypot(*way) * 3))
        for share in (np.arange(moments) + 0.5) / moments - 0.5:
            middle = (place + share * way + 0.5) * FINE - 0.5
            reach = radius * FINE
            low = np.maximum(np.floor(middle - reach - 1).astype(int), 0)
            high = np.minimum(
                np.ceil(middle + reach + 2).astype(int), [width * FINE, height * FINE]
            )
            if (high <= low).any():
                continue
            y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
            away = ((x - middle[0]) ** 2 + (y - middle[1]) ** 2) / reach**2
            # A ball hides another behind it: the brighter counts.
            here = light[low[1] : high[1], low[0] : high[0]]
            np.maximum(here, np.clip(1.0 - away, 0.0, None) / moments + here * (moments > 1),
                       out=here)  # fmt: skip
    seen = fftconvolve(light, moffat(0.8, 0.9), mode="same")
    seen = peak * seen.reshape(height, FINE, width, FINE).mean(axis=(1, 3)).clip(0.0)
    rows, columns = np.mgrid[:height, :width]
    stray = 24.0 + 10.0 * columns / width + 6.0 * (rows / height) ** 2
    seen = (seen + stray) * (1.0 + 0.01 * rng.standard_normal(width))
    electrons = rng.poisson(np.maximum(seen, 0.0) * 12.0) / 12.0
    return np.clip(np.rint(electrons + rng.normal(0.0, 1.5, seen.shape)), 0, FULL).astype(np.uint16)


class InMemory(list[NDArray[np.uint16]]):
    """Frames in memory."""

    bits = 16

    @property
    def size(self) -> tuple[int, int]:
        return self[0].shape[1], self[0].shape[0]


def pairs(
    apart: float, radius: float, count: int, seed: int
) -> tuple[InMemory, NDArray[np.float64]]:
    """Images of 20 pairs each `apart` [px], in all directions, and their places (K, 20, 2, 2)."""
    rng = np.random.default_rng(seed)
    grid = np.stack(np.meshgrid(np.arange(5), np.arange(4)), axis=-1).reshape(-1, 2) * 60.0 + 36.0
    films, true = InMemory(), []
    for _ in range(count):
        middle = grid + rng.uniform(-3.0, 3.0, grid.shape)
        angle = rng.uniform(0.0, 2.0 * np.pi, len(grid))
        half = 0.5 * apart * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        both = np.stack([middle - half, middle + half], axis=1)
        films.append(picture((312, 252), both.reshape(-1, 2), radius, rng))
        true.append(both)
    return films, np.array(true)


def judged(films: InMemory, true: NDArray[np.float64]) -> dict[str, float]:
    """Of all pairs: parted, said to be one, and silently wrong; errors of parted dots [px]."""
    found = find_dots(films)
    parted = said = silent = 0
    errors, ratios = [], []
    for frame, each in enumerate(true):
        own = found.frame == frame
        uv, sd, merged = found.uv[own], found.sd[own], found.merged[own]
        # Specks of the stray light are no dots of the pair's.
        bright = found.flux[own] > 0.05 * np.median(np.sort(found.flux[own])[-20:])
        for pair in each:
            near = (np.linalg.norm(uv - pair.mean(axis=0), axis=1) < 25.0) & bright
            gap = np.linalg.norm(uv[near][:, None] - pair, axis=-1)
            off = np.abs(uv[near] - pair[gap.argmin(axis=1)])
            fair = (off < 5.0 * np.hypot(sd[near], 0.02)).all(axis=1)
            # One dot that is flagged covers both where its deviation reaches them.
            silent += int((~fair & ~merged[near]).any())
            if near.sum() == 2 and not merged[near].any():
                parted += 1
                errors.append(np.abs(off).max())
                ratios.append(off / sd[near])
            elif merged[near].any():
                said += 1
    total = true.shape[0] * true.shape[1]
    return {
        "pairs": total,
        "parted": parted / total,
        "said": said / total,
        "silent": silent / total,
        "median": float(np.median(errors)) if errors else np.nan,
        "rms": float(np.sqrt(np.mean(np.square(ratios)))) if errors else np.nan,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    parser.add_argument("--count", type=int, default=4, help="images of 20 pairs each")
    args = parser.parse_args()
    kept = []
    print("radius  apart   parted  said  silent   worst coordinate, median [px]   errors over sd")
    for radius in (2.0, 3.5):
        for apart in (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0):
            distance = apart * radius
            one = judged(*pairs(distance, radius, args.count, int(10 * distance)))
            shares = [100.0 * one[k] for k in ("parted", "said", "silent")]
            print(f"{radius:6.1f} {distance:6.1f}  {shares[0]:6.0f} {shares[1]:5.0f} "
                  f"{shares[2]:7.1f} {one['median']:8.3f} {one['rms']:22.2f}",
                  flush=True)  # fmt: skip
            what = f"dots of {2 * radius:.0f} px, {distance:.1f} px apart, silently wrong [%]"
            kept.append(Figure(what, TWIN, int(one["pairs"]), shares[2], goal="0",
                               met=shares[2] == 0.0))  # fmt: skip
    if args.keep:
        figures.save("second_dots", "Dots of the second renderer", kept,
                     typed="python -m benchmarks.second_dots --keep")  # fmt: skip


if __name__ == "__main__":
    main()
