"""How hard did the line pull at the grip, and past the bend at the clamp?

The estimated tension trembles with a period of some milliseconds, where the true pull of most
throws rises and falls over tens of them; but where the line's recoil reaches the grip it rises by
half within one. So it is smoothed as widely as its draws allow (`smoothing`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.answers.momentum import peak_time
from lashwave.answers.smoothing import smoothed
from lashwave.mechanics import known_stiffness
from lashwave.quantities import GRIP_REACH, Array, Draws, Line

PULL_REACH = 0.02
"""How far beyond the grip the pull is asked for [m]. Next to a clamp the line bends, within
sqrt(EI / T), some millimetres to two centimetres, and there its tension rises from what the
grip's direction leaves of the pull to the pull itself."""
READ = (0.035, 0.11)
"""Between these distances beyond the grip [m] it is read, and carried back along a straight line:
the estimate's links are coarser than that bend. At 2 cm itself, one twin trial of four (seeds under
40) had a tenth too little throughout."""
SPANS = (0.6e-3, 1e-3, 1.7e-3, 2.8e-3, 4.7e-3, 8e-3, 13.5e-3)
"""Over which a parabola smooths [s]."""
STEP = 1e-4
"""Of the even times on which that is done [s]."""
PULL_MODEL_SD = 0.05
"""Standard deviation, logarithmic, added to the peak of the pull. Of six twin throws (seeds under
40) it came out 1, 1, 1, 3, 12 and 12 % off: one of these peaks, of 5 ms, was blunted by the
estimate's own grid of times."""


def pulls(draws: Draws, line: Line) -> tuple[Array, Array]:
    """(D, K) [N] each, `grip_tension` and `past_clamp` of a line."""
    clamp = float(np.interp(line.handle_length, line.station, known_stiffness(line).value))
    scale = draws.shared.get("stiffness_scale", np.ones(draws.position.shape[0]))
    grip = grip_tension(draws, line.handle_length, clamp * scale)
    return grip, past_clamp(draws, line.handle_length)


def grip_tension(draws: Draws, grip_end: float, stiffness: Array) -> Array:
    """(D, K) [N], tension `GRIP_REACH` after the grip; nan where no tension is known.

    Next to the clamp the line is an elastica: it carries the pull F past the bend, which stands at
    an angle q0 to the grip, and turns into its direction as tan(q / 4) = tan(q0 / 4) exp(-x / l),
    l = sqrt(B / F) (planar elastica under a pull; recalled from Love, Treatise on the Mathematical
    Theory of Elasticity, chapter XIX); its tension is F cos q. So it is read, since the estimate's
    links are as long as l.

    stiffness : (D,) [N m2], at the clamp.
    """
    pull = past_clamp(draws, grip_end)
    beyond = draws.station - grip_end
    first, grip = np.flatnonzero(beyond > 1e-9), np.flatnonzero(np.abs(beyond) <= 1e-9)
    if grip.size == 0 or grip[0] == 0 or first.size < 2:
        return pull  # no grip, so no direction
    outer = [int(np.abs(beyond - reach).argmin()) for reach in (PULL_REACH, READ[1])]
    if outer[0] == outer[1]:
        return pull
    angle = _between(draws.position, (0, int(grip[0])), (outer[0], outer[1]))
    with np.errstate(invalid="ignore", divide="ignore"):
        decay = np.sqrt(np.maximum(pull, 0.0) / stiffness[:, None])
        left = np.tan(0.25 * angle) * np.exp(-GRIP_REACH * decay)
    return np.asarray(pull * np.cos(4.0 * np.arctan(left)))


def _between(position: NDArray[np.floating], a: tuple[int, int], b: tuple[int, int]) -> Array:
    """(D, K) [rad], angle between the chords a and b of positions (D, K, S, 3)."""
    chords = [(position[:, :, j] - position[:, :, i]).astype(float) for i, j in (a, b)]
    for chord in chords:
        chord /= np.maximum(np.linalg.norm(chord, axis=-1, keepdims=True), 1e-300)
    return np.asarray(np.arccos(np.clip((chords[0] * chords[1]).sum(-1), -1.0, 1.0)))


def past_clamp(draws: Draws, grip_end: float) -> Array:
    """(D, K) [N], pull `PULL_REACH` after the grip, smoothed; nan where no tension is known."""
    weight = reading(draws, grip_end)
    if not weight.any():
        return np.full(draws.tension.shape[:2], np.nan)
    held = weight != 0.0
    pull, time = draws.tension[:, :, held] @ weight[held], draws.time
    even = np.arange(time[0], time[-1] + STEP, STEP)
    fine = smoothed(np.array([np.interp(even, time, row) for row in pull]), STEP, SPANS)
    return np.array([np.interp(time, even, row) for row in fine])


def reading(draws: Draws, grip_end: float) -> Array:
    """(S,) weights [1] of the stations' tensions in the pull; 0 throughout where none is known.

    Those of the straight line through the stations within `READ` at `PULL_REACH`; where there are
    fewer than two, the first station from `PULL_REACH` on has all the weight.
    """
    beyond = draws.station - grip_end
    known = np.isfinite(draws.tension).all(axis=(0, 1))
    weight = np.zeros(beyond.size)
    within = known & (beyond >= READ[0]) & (beyond <= READ[1])
    if within.sum() >= 2:
        line = np.stack([np.ones(within.sum()), beyond[within] - PULL_REACH])
        weight[within] = np.linalg.pinv(line)[:, 0]
        return weight
    first = known & (beyond >= min(PULL_REACH, beyond[-1]) - 1e-9)
    if first.any():
        weight[int(first.argmax())] = 1.0
    return weight


def peak_pull(times: Array, pull: Array, until: Array) -> Array:
    """(D,) [N], pull of (D, K) when its median is greatest, with what is known of its fault.

    Each draw's own greatest value would be the greatest of many that jitter, and too large. Draw d
    is asked up to its own time `until` (D,) [s].
    """
    deviate = np.random.default_rng(0).standard_normal(pull.shape[0])
    middle = np.median(pull, axis=0)[None]
    top = peak_time(times, middle, np.array([np.median(until)]))[0]
    at = np.array(
        [np.interp(min(top, end), times, row) for end, row in zip(until, pull, strict=True)]
    )
    return np.asarray(at * np.exp(PULL_MODEL_SD * deviate))
