"""The moments that a throw turns on, as each draw of its motion has them: computed once a trial."""

from __future__ import annotations

from dataclasses import dataclass

from lashwave.quantities.arrays import Array, Single


@dataclass(frozen=True)
class SonicDraws:
    """The first sonic moment of each of D draws; nan where it has none."""

    time: Array
    """(D,) [s]"""
    station: Array
    """(D,) [m]"""
    extension: Array
    """(D,) butt-to-tip distance over length at that moment."""


@dataclass(frozen=True)
class TipDraws:
    """What each of D draws says of the tip."""

    peak: Array
    """(D,) [m/s], greatest speed, smoothed."""
    jitter: Array
    """(D,) greatest speed as the draw has it, over `peak`."""
    peak_time: Array
    """(D,) [s], when the draw as it is moves fastest."""
    over_span: Array
    """(D,) [m/s], largest distance between places 100 us apart, over that time; nan where the
    record is shorter."""


@dataclass(frozen=True)
class Moments:
    """The tip's draws and the first sonic moment, with what they were read from; D draws, K times,
    S stations."""

    sound: tuple[float, float]
    """Speed of sound and its standard deviation [m/s]."""
    sounds: Array
    """(D,) [m/s], the speed of sound of each draw."""
    speed: Single
    """(D, K, S) [m/s], of the line at the grid times."""
    tip: TipDraws
    sonic: SonicDraws
