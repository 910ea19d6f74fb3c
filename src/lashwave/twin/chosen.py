"""Throws that a search has found: seed -> attempt, tempo, time of the peak [s].

Made by `python benchmarks/choose_throws.py`; a seed that is not here is searched when drawn.
"""

CHOSEN: dict[int, tuple[int, float, float]] = {
    0: (7, 1, 0.8535),  # Mach 0.96, fold 21 mm
    2: (1, 1.503, 0.5046),  # Mach 1.00, fold 35 mm
}
