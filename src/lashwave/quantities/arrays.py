"""One name each for the arrays that the rooms hand to each other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
"""Numbers, in SI units and 64 bits."""
Single = NDArray[np.float32]
"""Brightness of pictures, in 32 bits: a camera gives 16 at most."""
Mask = NDArray[np.bool_]
"""True where something holds."""
Whole = NDArray[np.int64]
"""Whole numbers: frames, ticks, counts."""
Index = NDArray[np.intp]
"""Places in another array."""
