"""Strobe flashes found in a camera's frames, and the clock they give."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.arrays import Array
from lashwave.quantities.sightings import Clock


@dataclass(frozen=True)
class Flashes:
    """Flashes of the marker system's strobe in the frames of one camera."""

    frame: NDArray[np.int64]
    """(F,) increasing: the frame nearest to the flash's middle."""
    middle: Array
    """(F,) [frames] the flash's middle, as a real number."""
    half: Array
    """(F,) [frames] the middle lies this near `middle`, evenly likely: half a frame for a flash
    within one frame."""
    sd: Array
    """(F,) [frames] standard deviation of `middle` by the noise of the edges' brightness."""
    brightness: Array
    """(F,) [grey levels] that the flash adds at its brightest."""


@dataclass(frozen=True)
class ClockFit:
    """A camera's clock: lab time = offset + (1 + drift) * frame / rate."""

    offset: float
    """[s] of the most likely candidate"""
    offset_sd: float
    """[s] about that candidate"""
    drift: float
    drift_sd: float
    bounds: tuple[float, float]
    """[s] offsets that the flashes allow about that candidate."""
    candidates: Array
    """(C,) [s] offsets that the flashes cannot tell apart, increasing: one marker period apart."""
    log_likelihood: Array
    """(C,) of the candidates, 0 for the best: stated clock, and motion where it was asked."""
    resolved: bool
    """The best candidate stands clear of the others."""
    share: float
    """Of the flashes, those that the fit explains."""

    def clock(self) -> Clock:
        """As a stated clock: widened over all candidates where none stands clear."""
        if self.resolved:
            return Clock(self.offset, self.offset_sd, self.drift_sd)
        weight = np.exp(self.log_likelihood - self.log_likelihood.max())
        weight /= weight.sum()
        mean = float(weight @ self.candidates)
        spread = float(weight @ np.square(self.candidates - mean))
        return Clock(mean, float(np.sqrt(spread + self.offset_sd**2)), self.drift_sd)


@dataclass(frozen=True)
class ClockHealth:
    """How a camera's flashes keep to the markers' samples by the clock that was fitted to them."""

    time: Array
    """(F,) [s] the marker sample nearest to each flash."""
    off: Array
    """(F,) [s] the flash's time by the fitted clock, less that."""
    bound: Array
    """(F,) [s] the flash's middle lies this near where it is put, evenly likely."""
    sd: Array
    """(F,) [s] of the flash's middle, by noise."""
    drift: float
    """Of the camera's clock against the markers'."""
    drift_sd: float

    def record(self) -> dict[str, float]:
        """In numbers: RMS miss and greatest one [us], drift and its deviation [parts a million]."""
        off = 1e6 * self.off
        return {
            "rms_us": float(np.sqrt(np.mean(off**2))),
            "worst_us": float(np.abs(off).max()),
            "drift_ppm": 1e6 * self.drift,
            "drift_sd_ppm": 1e6 * self.drift_sd,
        }
