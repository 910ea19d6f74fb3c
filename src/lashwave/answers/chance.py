"""A probability from draws, no surer than their number allows.

Where none of D draws has an event its probability is below 3 / D with 95 % (the rule of three:
Hanley and Lippman-Hand, J. Am. Med. Assoc. 249 (1983) 1743; from memory), and above 1 - 3 / D where
all have it.
"""

from __future__ import annotations

import numpy as np

from lashwave.quantities import Array


def bounded(share: float, draws: int) -> float:
    """A share of `draws` draws as a probability; nan where there are none."""
    return float(bounded_all(np.array(share), np.array(draws)))


def bounded_all(share: Array, draws: Array) -> Array:
    """The same of arrays [1] of any shape that broadcast; under six draws say a half at most."""
    least = np.minimum(3.0 / np.maximum(draws, 1), 0.5)
    return np.where(np.asarray(draws) > 0, np.clip(share, least, 1.0 - least), np.nan)


def said(share: float, draws: int) -> str:
    """`0.42`, or `over 0.97` and `under 0.03` where draws cannot tell more."""
    least = min(3.0 / max(draws, 1), 0.5)
    if share <= least:
        return f"under {np.ceil(100 * least) / 100:.2f}"
    if share >= 1.0 - least:
        return f"over {np.floor(100 * (1.0 - least)) / 100:.2f}"
    return f"{share:.2f}"
