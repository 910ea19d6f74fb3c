"""Withheld sightings as the fit foretells them, and whether they fit.

A draw of the motion gives the place of a marker or an image point; mean and deviation over the
draws, and the sighting's own noise, are the forecast. Each draw in turn is then taken for the
truth: its sightings, noise added, score against the same forecast as those that were withheld. So
errors that last, and are alike from sample to sample, are judged by how far such errors go.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lashwave.instruments import frame_time, project
from lashwave.pipeline.withholding import Hidden
from lashwave.quantities import (
    FAR,
    Array,
    Camera,
    Draws,
    Fit,
    Foretold,
    ForetoldSightings,
    Index,
    counted,
    interpolate,
    log_score,
)

NAMED = 3
"""Markers or cameras that a warning names at most."""


def foretold(fit: Fit, hidden: Hidden, seed: int) -> Foretold:
    """What the fit says of every withheld sighting within its time."""
    rng = np.random.default_rng(seed)
    groups: list[ForetoldSightings] = []
    outside = 0
    markers = replace(hidden.whole.markers, stand_off=fit.stand_off)
    within = (markers.time >= fit.time[0]) & (markers.time <= fit.time[-1])
    for i in np.flatnonzero(hidden.marker.any(axis=0)):
        rows = np.flatnonzero(hidden.marker[:, i] & within)
        outside += int(hidden.marker[:, i].sum()) - rows.size
        if rows.size:
            label, time = markers.labels[i], markers.time[rows]
            drawn = _marker_draws(fit.draws, label, float(markers.station[i]), time)
            own = markers.spread[rows, i][:, None]
            groups.append(_group(label, "m", time, drawn, markers.position[rows, i], own, rng))
    for camera in hidden.whole.cameras:
        points = np.flatnonzero(hidden.camera[camera.name])
        if points.size:
            drawn, time = _camera_draws(fit.draws, camera, points)
            inside = (time >= fit.time[0]) & (time <= fit.time[-1])
            inside &= np.isfinite(drawn).all((0, 2))
            outside += int((~inside).sum())
            if inside.any():
                own = camera.point_sd[points[inside], None]
                uv = camera.uv[points[inside]]
                groups.append(
                    _group(camera.name, "px", time[inside], drawn[:, inside], uv, own, rng)
                )
    return Foretold(hidden.asked, tuple(groups), outside)


def _group(
    name: str, unit: str, time: Array, drawn: Array, seen: Array, own: Array,
    rng: np.random.Generator,
) -> ForetoldSightings:  # fmt: skip
    """One group from its draws (D, n, d), what was seen (n, d), and its noise (n, 1)."""
    mean, count = drawn.mean(axis=0), drawn.shape[0]
    # A forecast from few draws does not know its own mean better than this.
    sd = np.sqrt(drawn.var(axis=0, ddof=1) * (1.0 + 1.0 / count) + own**2)
    truth = drawn + own * rng.standard_normal(drawn.shape)
    off = truth - mean
    cut = np.minimum((off / sd) ** 2, FAR**2).mean(axis=(1, 2))
    expected = np.stack([cut, log_score(off, sd).mean(axis=(1, 2))], axis=1)
    return ForetoldSightings(name, unit, time, mean - seen, sd, expected)


def _places(draws: Draws, station: float, time: Array, d: int) -> tuple[Array, Array]:
    """(n, 3) [m] of one draw's line at a station and times (n,), and the direction (n, 3) there."""
    s = draws.station
    j = int(np.clip(np.searchsorted(s, station, side="right") - 1, 0, s.size - 2))
    x = float(np.clip((station - s[j]) / (s[j + 1] - s[j]), 0.0, 1.0))
    near = slice(j, j + 2)
    both = interpolate(draws.time, draws.position[d][:, near], draws.velocity[d][:, near], time)[0]
    chord = both[:, 1] - both[:, 0]
    chord /= np.maximum(np.linalg.norm(chord, axis=-1, keepdims=True), 1e-12)
    return (1.0 - x) * both[:, 0] + x * both[:, 1], chord


def _marker_draws(draws: Draws, label: str, station: float, time: Array) -> Array:
    """(D, n, 3) [m], the marker's own slip along the line included."""
    slip = draws.shared.get(f"station:{label}", np.zeros(len(draws.position)))
    found = np.empty((len(draws.position), time.size, 3))
    for d in range(len(found)):
        place, along = _places(draws, station, time, d)
        found[d] = place + slip[d] * along
    return found


def _camera_draws(draws: Draws, camera: Camera, points: Index) -> tuple[Array, Array]:
    """(D, n, 2) [px] of a camera's points, each draw by its own clock, and their times (n,) [s]."""
    none = np.zeros(len(draws.position))

    def of(name: str) -> Array:
        return draws.shared.get(f"{name}:{camera.name}", none)

    offset, drift = of("clock_offset"), of("clock_drift")
    shift = np.stack([of("registration_u"), of("registration_v")], axis=-1)
    frame, station = camera.counted(camera.frame[points]), camera.station[points]
    found = np.full((len(none), points.size, 2), np.nan)
    for d in range(len(none)):
        when = frame_time(camera.rate, frame, float(offset[d]), float(drift[d]))
        for s in np.unique(station):
            own = station == s
            place = _places(draws, float(s), when[own], d)[0]
            found[d, own] = project(camera, place) + shift[d]
    mean = frame_time(camera.rate, frame, float(np.median(offset)), float(np.median(drift)))
    return found, mean


def cautions(found: Foretold) -> list[str]:
    """That sightings were withheld, and whether they fit: what must be known of the answer."""
    count = sum(len(group.time) for group in found.groups)
    said = [f"reconstructed without {found.words} (--withhold): {counted(count, 'sighting')}"]
    if found.outside:
        said.append(f"{found.outside} of the withheld sightings lie outside the motion's time")
    if not found.groups:
        return said
    share = found.coverage
    wider, nearer = found.further()
    if wider == 0.0:
        worst = sorted(found.groups, key=lambda group: -group.off)[:NAMED]
        named = ", ".join(f"{g.name} ({g.scores.coverage:.0%})" for g in worst)
        said.append(
            f"the withheld sightings do not fit: {share:.0%} lie in their 95 % interval, least in "
            f"{named}; the intervals of this trial are too narrow, or these sightings are wrong"
        )
    elif nearer == 0.0:
        said.append(
            f"the withheld sightings lie nearer than their intervals say: {share:.0%} lie in the "
            "95 % interval; the deviations stated, or found, are too large"
        )
    return said
