"""Drag and damping that change along a line: their shape, and how far they may.

The logarithm of either changes in proportion to the station, by the slope from the grip's end to
the tip. The shape is nought in the mean over the outer half, where a line is fast and folds, so
that `drag_normal` and `damping_time` stay the mean of logarithms there, as `stiffness_scale` is.
A grip keeps the scale itself: it is another body.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from lashwave.mechanics.chain import Chain
from lashwave.mechanics.stiffness_sources import SLOPE_SD, sloped
from lashwave.quantities import DAMPING_SLOPE, DRAG_SLOPE, SLOPE, Array, Line

CENTRE = 0.75
"""Share of the free line at which the shape is nought: the middle of its outer half."""
DRAG_SLOPE_SD = 0.1 * np.sqrt(2.0)
"""Logarithmic. Fits of the classical data for smooth cylinders, and the law from their middle, lie
some 10 % apart at one Reynolds number (docs/validation.md). The two ends of a line meet them a
decade or two apart, and a braid is rougher against a thin tip than against a thick butt, so both
ends may be off by that independently of each other."""


def shape_along(line: Line, station: Array) -> Array:
    """(S,) [1] at stations (S,) [m]: share of the free line less `CENTRE`, 0 on a grip."""
    free = line.length - line.handle_length
    share = (station - line.handle_length) / free - CENTRE
    return np.where(station < line.handle_length, 0.0, share)


def drag_shape(line: Line, chain: Chain) -> Array:
    """(N,) [1], of the links' drag across, at their middles."""
    return shape_along(line, 0.5 * (chain.station[1:] + chain.station[:-1]))


def damping_slope_sd(line: Line) -> float:
    """Standard deviation of the damping's slope, logarithmic; 0 of a line as thick all along.

    A bundle's stiffness goes as mu d^e along a line, the couple of its friction as mu d^f, and both
    exponents lie between 0 (loose fibres) and 2 (a rod). The law takes f = e, so that the damping
    time is one. Of f alone what is left open is what e is left without a test. Common practice
    knows no more.
    """
    free = line.diameter[line.station >= line.handle_length]
    return float(SLOPE_SD * abs(np.log(free[-1] / free[0])))


def uneven(line: Line, chain: Chain, scale: Mapping[str, float]) -> Chain:
    """A line's chain with stiffness, drag and damping that change along it.

    scale : the slopes by name, in their own units [1]; an absent one is 0.
    """
    drag, damping = scale.get(DRAG_SLOPE, 0.0), scale.get(DAMPING_SLOPE, 0.0)
    return replace(
        sloped(line, chain, scale.get(SLOPE, 0.0)),
        drag_factor=np.exp(drag * drag_shape(line, chain)),
        damping_factor=np.exp(damping * shape_along(line, chain.station[:-1])),
    )
