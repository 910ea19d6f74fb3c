"""What a camera's sensor makes of light: shot noise, read noise, saturation, grey levels.

Light is counted in electrons of a pixel. Shot noise is Poisson's, drawn here as a Gaussian of the
same variance: right in mean and variance everywhere, and in skew to 1 / sqrt(electrons), so within
a tenth from 100 electrons (EMVA Standard 1288, the linear camera model; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.images import Image

Light = NDArray[np.float32]


@dataclass(frozen=True)
class Sensor:
    """A linear sensor."""

    bits: int = 8
    """Of a grey level, 8 to 16; 8 are stored in 8, more in 16."""
    full_well: float = 12e3
    """Electrons at the highest grey level; more light saturates."""
    read_noise: float = 12.0
    """Standard deviation [electrons]."""
    dark: float = 0.0
    """Electrons that a dark pixel reads: an offset, which carries no shot noise."""

    @property
    def gain(self) -> float:
        """Electrons of one grey level."""
        return self.full_well / (2**self.bits - 1)


def read_out(light: Light, sensor: Sensor, rng: np.random.Generator | None = None) -> Image:
    """Grey image (H, W) of light (H, W) [electrons]; without a generator no noise is added."""
    signal = light
    if rng is not None:
        noise = rng.standard_normal(light.shape, dtype=np.float32)
        noise *= np.sqrt(light + np.float32(sensor.read_noise**2))
        signal = light + noise
    grey = (signal + np.float32(sensor.dark)) * np.float32(1.0 / sensor.gain)
    np.rint(grey, out=grey)
    np.clip(grey, 0, 2**sensor.bits - 1, out=grey)
    return grey.astype(np.uint8) if sensor.bits == 8 else grey.astype(np.uint16)
