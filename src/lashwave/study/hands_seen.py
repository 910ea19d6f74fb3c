"""What a hand was seen to do, as the inputs of the family of throws."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from lashwave.study.throw_family import INPUTS, MIDDLE, PEAK_RATE

if TYPE_CHECKING:
    import xarray as xr

_FOLLOW = next((item.low, item.high) for item in INPUTS if item.name == "follow")


def hand_seen(motion: xr.Dataset) -> dict[str, float]:
    """Greatest speed [m/s], its direction over the level [rad], and follow [1] of a motion's hand.

    motion : as motion.nc. The hand is the line's first station; its greatest speed is sought before
    the peak of the tip's. Follow is its mean speed that way over the second half of the time from
    there to the peak, over the greatest, held within the family's range.
    """
    time = motion["time"].values
    hand, tip = (motion["velocity"].isel(station=k).values for k in (0, -1))
    peak = int(np.linalg.norm(tip, axis=-1).argmax())
    speed = np.linalg.norm(hand[: peak + 1], axis=-1)
    top = int(speed.argmax())
    way = hand[top] / max(float(speed[top]), 1e-9)
    late = (time >= 0.5 * (time[top] + time[peak])) & (time <= time[peak])
    along = float((hand[late] @ way).mean() / max(float(speed[top]), 1e-9))
    return {
        "speed": float(speed[top]),
        "direction": float(np.arcsin(np.clip(way[2], -1.0, 1.0))),
        "follow": float(np.clip(along, *_FOLLOW)),
    }


def envelope(motions: Sequence[xr.Dataset]) -> dict[str, tuple[float, float]]:
    """Least and greatest of what hands were seen to do, as inputs of the family, SI.

    Of a stroke only amplitude over time counts: its time is the middle of the family's.
    """
    seen = [hand_seen(motion) for motion in motions]
    found = {
        name: (min(one[name] for one in seen), max(one[name] for one in seen)) for name in seen[0]
    }
    slow, fast = found.pop("speed")
    return {**stroke(slow, fast), **found}


def stroke(slow: float, fast: float) -> dict[str, tuple[float, float]]:
    """Amplitudes [m] and time [s] of strokes whose greatest speeds lie between two [m/s]."""
    time = MIDDLE["time"]
    return {
        "amplitude": (slow * time / PEAK_RATE, fast * time / PEAK_RATE),
        "time": (time, time),
    }
