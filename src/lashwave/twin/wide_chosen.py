"""Throws of `wide` that a search has found: `python benchmarks/choose_throws.py --wide 0 20`."""

CHOSEN: dict[int, tuple[int, float, float]] = {}
"""By seed: attempt, tempo, time of the tip's peak [s]."""
