"""Cameras placed together by a wand: how far off all their poses are, by their common covariance.

    python -m benchmarks.bundle [--runs 24] [--keep]

Each run draws lenses, known points, the wand's length and the noise of every dot anew. The square
of the errors over the joint covariance of the poses is a chi-square, 6 degrees a camera.
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy.stats import chi2

from benchmarks import figures
from benchmarks.figures import TWIN, Figure
from tests.calibrate.test_wand import pose_square

CAMERAS = 3


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=24)
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    args = parser.parse_args()
    squares = np.array([pose_square(900 + run, CAMERAS) for run in range(args.runs)])
    free = 6 * CAMERAS
    low, high = chi2.ppf([0.005, 0.995], free)
    inside = int(((squares > low) & (squares < high)).sum())
    least, most = chi2.ppf([0.005, 0.995], free * args.runs)
    print(f"chi-square of {free}: median {np.median(squares):.1f}, {squares.min():.1f} to "
          f"{squares.max():.1f}; {inside} of {args.runs} within {low:.1f} to {high:.1f}; together "
          f"{squares.sum():.0f}, band {least:.0f} to {most:.0f}")  # fmt: skip
    if args.keep:
        what = "chi-square of three cameras placed together, over its degrees of freedom"
        kept = [
            Figure(
                what, TWIN, args.runs, float(squares.sum() / (free * args.runs)),
                float(squares.max() / free),
                f"99 % band: {least / (free * args.runs):.2f} to {most / (free * args.runs):.2f}",
                bool(least < squares.sum() < most),
                f"{inside} of {args.runs} in their own band",
            )
        ]  # fmt: skip
        figures.save("bundle", "Bundle adjustment of a wand", kept,
                     typed="python -m benchmarks.bundle --keep")  # fmt: skip


if __name__ == "__main__":
    main()
