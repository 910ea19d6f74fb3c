"""When and where did the line first move at the speed of sound?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.answers import between_times
from lashwave.answers.tip import NEAR_PEAK, station_controls
from lashwave.quantities import (
    Answer,
    Array,
    Draws,
    SonicDraws,
    bounded,
    from_draws,
    interpolate,
    on_grid,
    said,
)

ACCELERATION_SPAN = 0.2e-3
"""The tip's acceleration is its change of velocity over this time, over this time [s]: what is
shorter is the draws' own jitter. A harder, shorter pull comes out lower."""
AROUND = 5e-3
"""It is looked for within this time of the peak of the tip's speed [s]."""


def peak_acceleration(draws: Draws, peak_time: Array) -> Array:
    """(D,) [m/s2], greatest mean acceleration of the tip over `ACCELERATION_SPAN` about its peak
    of speed; nan where the record is shorter."""
    found = np.full(peak_time.size, np.nan)
    half = 0.5 * ACCELERATION_SPAN
    for d, peak in enumerate(peak_time):
        low = max(peak - AROUND, draws.time[0] + half)
        high = min(peak + AROUND, draws.time[-1] - half)
        if high <= low:
            continue
        at = np.linspace(low, high, 401)
        tip = draws.position[d, :, -1].astype(float), draws.velocity[d, :, -1].astype(float)
        after = interpolate(draws.time, *tip, at + half)[1]
        before = interpolate(draws.time, *tip, at - half)[1]
        change = np.linalg.norm(after - before, axis=-1)
        found[d] = float(change.max()) / ACCELERATION_SPAN
    return found


def rise_at(draws: Draws, when: Array, gravity: Array) -> Array:
    """(D,) [rad], angle of the line from butt to tip above the horizontal at times (D,); nan where
    a time is, or without gravity."""
    found = np.full(when.size, np.nan)
    size = float(np.linalg.norm(gravity))
    if size == 0.0:
        return found
    for d in np.flatnonzero(np.isfinite(when)):
        ends = draws.position[d][:, [0, -1]], draws.velocity[d][:, [0, -1]]
        place, _ = interpolate(draws.time, *ends, [when[d]])
        chord = place[0, 1] - place[0, 0]
        up = -float(chord @ gravity) / size
        found[d] = np.arcsin(np.clip(up / np.linalg.norm(chord), -1.0, 1.0))
    return found


def shape_answers(when: Array, angle: Array, hard: Array) -> dict[str, Answer]:
    """`peak_tip_acceleration` and `angle_at_sonic`.

    when : (D,) [s], the sonic moment; angle : (D,) [rad], of `rise_at` then; hard : (D,) [m/s2].
    """
    share = float(np.isfinite(when).mean())
    chance = bounded(share, when.size)
    rise = from_draws(angle, "rad", chance)
    if share < 0.5 or not np.isfinite(angle).any():
        only = f"sonic with a probability of {said(share, when.size)} only"
        reason = only if share < 0.5 else "no gravity"
        rise = Answer(None, "rad", probability=chance, reason=reason)
    return {"peak_tip_acceleration": from_draws(hard, "m s-2"), "angle_at_sonic": rise}


LEAST_SHARE = 0.05
"""A group of draws under this share is the tail of its neighbour."""
LEAST_APART = 50e-6
"""Two moments closer than this [s] are one: half of what the sonic time is asked to be good to."""
APART_BY = 2.0
"""Two groups are told apart where the empty time between them is this many times the greater of
their standard deviations. Halves of one normal sample of 100 stand 0.05 apart, of an exponential
one at most about 0.5, so that one moment with a tail is not taken for two."""


def sonic_draws(
    draws: Draws, speed: NDArray[np.floating], sound: Array, length: float
) -> SonicDraws:
    """First moment at which any station of each draw moves at that draw's speed of sound.

    Parameters
    ----------
    speed : (D, K, S) [m/s] at the grid times; sound : (D,) [m/s]; length : of the line [m].
    """
    count = sound.size
    time, station, extension = (np.full(count, np.nan) for _ in range(3))
    for d in range(count):
        time[d], station[d] = first_sonic(draws, d, speed[d], float(sound[d]))
        if np.isfinite(time[d]):
            ends = draws.position[d][:, [0, -1]], draws.velocity[d][:, [0, -1]]
            place, _ = interpolate(draws.time, *ends, [time[d]])
            extension[d] = np.linalg.norm(place[0, 1] - place[0, 0]) / length
    return SonicDraws(time, station, extension)


def first_sonic(
    draws: Draws, d: int, speed: NDArray[np.floating], sound: float
) -> tuple[float, float]:
    """Time [s] and station [m] of draw d's first speed of `sound`; nan, nan if none.

    speed : (K, S) [m/s].
    """
    end = np.maximum(speed[:-1], speed[1:])
    certain = np.flatnonzero(end.max(axis=1) >= sound)
    last = certain[0] + 1 if certain.size else end.shape[0]
    k, s = np.nonzero(end[:last] >= NEAR_PEAK * sound)
    control = station_controls(draws, d, k, s)
    able = between_times.bound(control) >= sound
    over = between_times.speeds(control[able]) - sound
    crossed = over >= 0.0
    k, s, crossing = k[able], s[able], crossed.any(axis=1)
    if not crossing.any():
        return float("nan"), float("nan")
    first = np.flatnonzero(crossing & (k == k[crossing].min()))
    x = np.array([_crossing(over[i], int(crossed[i].argmax())) for i in first])
    i = int(x.argmin())
    left = int(k[first[i]])
    when = draws.time[left] + x[i] * (draws.time[left + 1] - draws.time[left])
    return float(when), float(draws.station[s[first[i]]])


def _crossing(over: Array, piece: int) -> float:
    """Share of the interval at which `over` passes zero before `piece`, linear in between."""
    if piece == 0:
        return 0.0
    a, b = over[piece - 1], over[piece]
    return float(between_times.STEP[piece] - (b / (b - a)) / between_times.PIECES)


def groups(times: Array) -> list[NDArray[np.intp]]:
    """Indices of finite times [s] in groups that stand apart, the largest first.

    A sample is split at its longest empty time, if that is long (APART_BY, LEAST_APART) and
    neither part is too small (LEAST_SHARE); each part is looked at again.
    """
    known = np.flatnonzero(np.isfinite(times))
    least = max(3, int(np.ceil(LEAST_SHARE * times.size)))
    parts = _split(known[np.argsort(times[known], kind="stable")], times, least)
    return sorted(parts, key=lambda part: (-part.size, times[part[0]]))


def _split(order: NDArray[np.intp], times: Array, least: int) -> list[NDArray[np.intp]]:
    """Parts of a sorted sample; itself where no split is justified."""
    t = times[order]
    n = t.size
    if n < 2 * least:
        return [order]
    cuts = np.arange(least, n - least + 1)
    cut = int(cuts[(t[cuts] - t[cuts - 1]).argmax()])
    gap = t[cut] - t[cut - 1]
    scatter = max(t[:cut].std(), t[cut:].std())
    if gap < max(APART_BY * float(scatter), LEAST_APART):
        return [order]
    return _split(order[:cut], times, least) + _split(order[cut:], times, least)


def sonic_answers(sonic: SonicDraws, spacing: float = 0.0) -> tuple[dict[str, Answer], list[str]]:
    """`sonic_time`, `sonic_station`, `extension_at_sonic` and what must be warned of.

    spacing : of the stations [m] among which the sonic one is sought.
    """
    count = sonic.time.size
    share = float(np.isfinite(sonic.time).mean())
    chance = bounded(share, count)
    units = {"sonic_time": "s", "sonic_station": "m", "extension_at_sonic": "1"}
    if share < 0.5:
        reason = f"sonic with a probability of {said(share, count)} only"
        none = {
            name: Answer(None, unit, probability=chance, reason=reason)
            for name, unit in units.items()
        }
        return none, _grazing(share)
    parts = groups(sonic.time)
    chosen = parts[0]
    values = (sonic.time, sonic.station, sonic.extension)
    found = {
        name: from_draws(value[chosen], unit, chance)
        for (name, unit), value in zip(units.items(), values, strict=True)
    }
    found["sonic_station"] = on_grid(found["sonic_station"], sonic.station[chosen], spacing)
    warnings = _grazing(share)
    if len(parts) > 1:
        moments = ", or ".join(
            f"{1e3 * np.median(sonic.time[part]):.3f} ms at station "
            f"{np.median(sonic.station[part]):.3f} m (probability {part.size / count:.2f})"
            for part in parts
        )
        warnings.append(
            f"the line first moves at the speed of sound at {moments}: the motion grazes that "
            "speed, and the answers are of the first moment named"
        )
    return found, warnings


def _grazing(chance: float) -> list[str]:
    """A warning where draws disagree on whether the line was sonic at all."""
    if 0.025 < chance < 0.975:
        return [f"whether the line reaches the speed of sound is open: probability {chance:.2f}"]
    return []
