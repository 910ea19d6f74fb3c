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
    Mask,
    counted,
    interpolate,
    log_score,
)

NAMED = 3
"""Markers or cameras that a warning names at most."""


def foretold(fit: Fit, hidden: Hidden, seed: int) -> Foretold:
    """What the fit says of every withheld sighting within its time."""
    found = Foretelling(hidden, fit.stand_off, seed)
    found.take(fit.draws, (float(fit.time[0]), float(fit.time[-1])))
    return found.done()


class Foretelling:
    """Withheld sightings of a record whose motion comes in pieces, from the last to the first.

    A draw is one motion over all pieces, so that its scores over the record are the means of those
    over the pieces, each counted by its sightings.
    """

    def __init__(self, hidden: Hidden, stand_off: float, seed: int) -> None:
        """stand_off : [m] that markers are taken to have beside what the trial states."""
        self.hidden, self.rng = hidden, np.random.default_rng(seed)
        self.markers = replace(hidden.whole.markers, stand_off=stand_off)
        self.of_marker: dict[str, list[ForetoldSightings]] = {n: [] for n in self.markers.labels}
        self.of_camera: dict[str, list[ForetoldSightings]] = {
            c.name: [] for c in hidden.whole.cameras
        }

    def take(self, draws: Draws, span: tuple[float, float], closed: bool = True) -> None:
        """Foretell the sightings within a span [s] of time.

        Parameters
        ----------
        draws : that reach a little further, where the motion does: each has a clock of its own.
        closed : whether the span's end is in it.
        """

        def within(time: Array) -> Mask:
            last = time <= span[1] if closed else time < span[1]
            return np.asarray((time >= span[0]) & last)

        hidden, markers, rng = self.hidden, self.markers, self.rng
        inside = within(markers.time)
        for i in np.flatnonzero(hidden.marker.any(axis=0)):
            rows = np.flatnonzero(hidden.marker[:, i] & inside)
            if rows.size:
                label, time = markers.labels[i], markers.time[rows]
                drawn = _marker_draws(draws, label, float(markers.station[i]), time)
                own = markers.spread[rows, i][:, None]
                part = _group(label, "m", time, drawn, markers.position[rows, i], own, rng)
                self.of_marker[label].append(part)
        for camera in hidden.whole.cameras:
            points = np.flatnonzero(hidden.camera[camera.name])
            points = points[within(_mean_times(draws, camera, points))]
            if points.size:
                drawn, time = _camera_draws(draws, camera, points)
                known = np.isfinite(drawn).all((0, 2))
                if known.any():
                    own = camera.point_sd[points[known], None]
                    uv, shown = camera.uv[points[known]], drawn[:, known]
                    part = _group(camera.name, "px", time[known], shown, uv, own, rng)
                    self.of_camera[camera.name].append(part)

    def done(self) -> Foretold:
        """Of the whole record, each marker's and each camera's sightings in time."""
        hidden = self.hidden
        every = (*self.of_marker.values(), *self.of_camera.values())
        groups = tuple(_joined(parts[::-1]) for parts in every if parts)
        asked = int(hidden.marker.sum()) + sum(int(m.sum()) for m in hidden.camera.values())
        return Foretold(hidden.asked, groups, asked - sum(g.time.size for g in groups))


def _joined(parts: list[ForetoldSightings]) -> ForetoldSightings:
    """Parts of one group, one after the other."""
    count = np.array([part.time.size for part in parts], dtype=float)
    time, error, sd = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("time", "error", "sd")
    )
    expected = np.tensordot(count / count.sum(), np.stack([part.expected for part in parts]), 1)
    return ForetoldSightings(parts[0].name, parts[0].unit, time, error, sd, expected)


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
    return found, _mean_times(draws, camera, points)


def _mean_times(draws: Draws, camera: Camera, points: Index) -> Array:
    """(n,) [s] of a camera's points, by the clock in the middle of the draws'."""
    none = np.zeros(len(draws.position))
    offset, drift = (
        float(np.median(draws.shared.get(f"{name}:{camera.name}", none)))
        for name in ("clock_offset", "clock_drift")
    )
    return frame_time(camera.rate, camera.counted(camera.frame[points]), offset, drift)


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
