"""What microphones recorded, sample by sample, and what is wrong with a channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Sound:
    """One sound file."""

    samples: NDArray[np.float64]
    """(N, C) in units of full scale: -1 to 1; floating-point files may go beyond."""
    rate: float
    """Samples a second [Hz], as the file states."""
    step: float
    """One quantisation step [full scale]; 0 for floating-point samples."""
    clipped: NDArray[np.int64]
    """(C,) samples that stand at full scale, or on a flat top cut off below it; 0 where the
    channel has none that follow one another."""
    dead: NDArray[np.bool_]
    """(C,) nothing but a constant, or one step up and down of it."""
    dropped: NDArray[np.int64]
    """(C,) samples in long stretches of one value within a channel that is otherwise alive."""
    offset: NDArray[np.float64]
    """(C,) mean [full scale]."""

    @property
    def channels(self) -> int:
        return int(self.samples.shape[1])

    @property
    def bad(self) -> NDArray[np.bool_]:
        """(C,), no unit: of no use: dead, with stretches dropped, or off centre by a tenth."""
        return self.dead | (self.dropped > 0) | (np.abs(self.offset) > 0.1)
