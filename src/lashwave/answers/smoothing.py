"""Draws smoothed in time as widely as they allow.

Draws of a posterior jitter from one time to the next more than the motion does, and a greatest
value over time is the greatest of many that jitter. But a fixed span blunts what is sharp. So it is
chosen time by time by the rule of Lepski (Theory Probab. Appl. 35 (1991) 454; from memory): the
widest span whose central value agrees with those of all narrower ones within a share of their own
standard deviations.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.signal import savgol_filter

from lashwave.quantities import Array

AGREE = 0.8
"""Standard deviations within which spans must agree, chosen from 0.4 to 1.3 by the peak pull of six
twin throws (seeds 0, 1, 3, 7, 12, 20): with 0.6 one of them is 35 % high, with 1.0 another 7 % low,
with 0.8 they are 12 and 1 %."""
ENOUGH = 8
"""Draws below which their spread says nothing and nothing is smoothed."""


def smoothed(values: Array, step: float, spans: Sequence[float]) -> Array:
    """Draws (D, K) [N] on even times `step` apart [s], each by parabolas over the spans chosen.

    spans : rising, in the unit of `step`.
    """
    chosen = values.copy()
    if values.shape[0] < ENOUGH:
        return chosen
    low, high = np.full(values.shape[1], -np.inf), np.full(values.shape[1], np.inf)
    agreed = np.ones(values.shape[1], dtype=bool)
    for span in spans:
        curve = parabolas(values, step, span)
        middle, tolerance = np.median(curve, axis=0), AGREE * curve.std(axis=0)
        low, high = np.maximum(low, middle - tolerance), np.minimum(high, middle + tolerance)
        agreed &= low <= high
        chosen[:, agreed] = curve[:, agreed]
    return chosen


def parabolas(values: Array, step: float, span: float) -> Array:
    """Rows (D, K) [N] smoothed by parabolas (Savitzky and Golay, Anal. Chem. 36 (1964) 1627)."""
    window = min(2 * round(0.5 * span / step) + 1, (values.shape[1] - 1) // 2 * 2 + 1)
    return np.asarray(savgol_filter(values, window, min(2, window - 1), axis=1))
