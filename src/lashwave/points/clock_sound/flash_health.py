"""How well a camera's flashes keep to the markers' samples: each flash's miss, and the drift."""

from __future__ import annotations

import numpy as np

from lashwave.quantities import Array, ClockFit, ClockHealth, Flashes, Mask

STRAY, FAST = 4.0, 4.0
"""A flash is spoken of that is so many deviations beyond its bound; a drift that is so many of its
own."""


def flash_health(flashes: Flashes, fit: ClockFit, rate: float, samples: Array) -> ClockHealth:
    """Each flash's time by the fitted clock, less the marker sample that is nearest.

    Parameters
    ----------
    rate : of the camera [Hz]; samples : (M,) [s] of the markers, uniform.
    """
    period = float(samples[-1] - samples[0]) / (samples.size - 1)
    time = fit.offset + (1.0 + fit.drift) * flashes.middle / rate
    nearest = float(samples[0]) + period * np.rint((time - float(samples[0])) / period)
    return ClockHealth(
        time=nearest,
        off=time - nearest,
        bound=flashes.half / rate,
        sd=flashes.sd / rate,
        drift=fit.drift,
        drift_sd=fit.drift_sd,
    )


def strays(health: ClockHealth) -> Mask:
    """(F,) [1] whether a flash misses its sample beyond what its frames leave open."""
    return np.asarray(np.abs(health.off) > health.bound + STRAY * health.sd)


def advice(health: ClockHealth) -> tuple[str, ...]:
    """What the flashes say of a clock, in words; nothing where nothing is amiss."""
    said = []
    count = int(strays(health).sum())
    if count:
        worst = 1e6 * float(np.abs(health.off).max())
        said.append(
            f"{count} of {health.off.size} flashes miss their marker sample by more than their "
            f"frames leave open, up to {worst:.3g} us: other lights, dropped frames, or a marker "
            "system that does not keep its rate"
        )
    if abs(health.drift) > FAST * max(health.drift_sd, 1e-12):
        said.append(
            f"its clock runs {1e6 * health.drift:+.3g} parts in a million off the markers' "
            f"(sd {1e6 * health.drift_sd:.2g})"
        )
    return tuple(said)
