"""How the widths of a tuft that were seen bear on the area that drags it.

Loose strands, thin against their distances, blown along the tuft's axis: one that leans out by b
at its free end shows the flow an area of its thickness times b. Evenly spread over a width w, the
mean of |b| is w / 4, so the area is proportional to w. That neglects the strands' shelter of each
other (which makes a closed tuft drag less still), friction along them (which does not change with
w) and that a leaning strand is pressed less than an upright one (by the sine of its angle squared:
Hoerner, Fluid-Dynamic Drag, 1965, ch. 3, the cross-flow principle; from memory). With friction
alone the exponent of w is 0, with the cross-flow principle alone 3. It is taken to be 1 +- 1.

The stated area is that of the tuft at its mean width over the record. One scale stands for the
whole record, so it is taken where drag counts, each width weighted by the tip's speed squared.
"""

from __future__ import annotations

import numpy as np

from lashwave.quantities import Array, Camera, Trial

EXPONENT, EXPONENT_SD = 1.0, 1.0
"""Of the width in the area."""
FEWEST = 3
"""Widths that say something of a change."""
NARROWEST = 1e-4
"""[m]; no tuft is narrower, for the sake of its logarithm."""


def tuft_scale(trial: Trial) -> tuple[float, float]:
    """Logarithm of the tuft's area where it drags over the stated one, and its standard deviation.

    Of the camera that saw most widths; (0, 0) where none did, or the line has no tuft. The
    deviation holds the exponent's, the widths', and what a single scale leaves of their change.
    """
    seen = [c for c in trial.cameras if c.tuft is not None and c.tuft.frame.size >= FEWEST]
    if not seen or trial.line.tuft is None:
        return 0.0, 0.0
    camera = max(seen, key=lambda c: 0 if c.tuft is None else c.tuft.frame.size)
    assert camera.tuft is not None
    width = np.maximum(camera.tuft.width, NARROWEST)
    weight = _speed_squared(camera, trial.line.length)
    weight = weight / weight.sum()
    fast = float(weight @ width)
    size = float(np.log(fast / width.mean()))
    noise = float(np.sqrt(((weight - 1.0 / width.size) ** 2) @ camera.tuft.sd**2)) / fast
    left = float(np.sqrt(weight @ (width / fast - 1.0) ** 2))
    return EXPONENT * size, float(np.hypot(EXPONENT_SD * size, EXPONENT * np.hypot(noise, left)))


def _speed_squared(camera: Camera, length: float) -> Array:
    """Of the tip's image at the widths' frames, any unit; alike where it was not tracked."""
    assert camera.tuft is not None
    tip = np.abs(camera.station - length) < 1e-6
    frame, first = np.unique(camera.frame[tip], return_index=True)
    if frame.size < 2:
        return np.ones(camera.tuft.frame.size)
    uv = camera.uv[tip][first]
    step = np.linalg.norm(np.diff(uv, axis=0), axis=1) / np.diff(frame)
    middle = 0.5 * (frame[1:] + frame[:-1])
    return np.asarray(np.maximum(np.interp(camera.tuft.frame, middle, step), 1e-3) ** 2)
