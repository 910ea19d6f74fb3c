"""Labels for a marker record: given to points that have none, and mended where they were exchanged.

Points on the line are labelled by `assign`; what else moves rigidly with the grip can only be a
marker on the handle. The names of handle markers carry no place, so they are known by
their distances from the grip's markers: as the record has them, else in order of the nearness to
the butt.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lashwave.labels.assign import Labelling, Scale, label_points, own_cost, settled
from lashwave.labels.label_settings import (
    LABELS,
    LabelSettings,
)
from lashwave.labels.whole_samples import whole_samples
from lashwave.quantities import Array, InputError, Markers, Whole


@dataclass(frozen=True)
class Exchange:
    """A label that points of another marker carried, for a while."""

    wrong: str
    right: str
    first: float
    """[s]"""
    last: float
    """[s]"""
    samples: int


@dataclass(frozen=True)
class LabelReport:
    """What became of the points of a record."""

    kept: int
    """Points whose label stayed."""
    added: int
    """Points that had no label and have one now."""
    exchanged: tuple[Exchange, ...]
    removed: int
    """Points that had a label and have none now: ghosts, or not to be decided."""
    unlabelled: int
    """Points without a label, in all."""
    undecided: int
    """Of these, those that fit the line at more than one station about equally well."""

    @property
    def sentences(self) -> tuple[str, ...]:
        """For the user."""
        said = [
            f"{e.samples} samples labelled {e.wrong} are {e.right}, {e.first:.4f} to {e.last:.4f} s"
            for e in self.exchanged
        ]
        said.append(
            f"{self.kept} labels kept, {self.added} added, {self.removed} taken away; "
            f"{self.unlabelled} points have no label"
        )
        if self.undecided:
            said.append(
                f"{self.undecided} points fit more than one station about equally well: no label"
            )
        return tuple(said)


@dataclass(frozen=True)
class _Flat:
    """All points of a record but those labelled as the handle's, without their labels."""

    sample: Whole
    position: Array
    given: Whole
    """(U,) station by the label the point came with; -1 for none."""


def _checked(markers: Markers) -> Whole:
    """Columns of the markers on the line, by station; raises InputError for less than two."""
    line = np.flatnonzero(~markers.on_handle)
    line = line[np.argsort(markers.station[line], kind="stable")]
    if line.size < 2 or np.any(np.diff(markers.station[line]) <= 0.0):
        raise InputError(
            "trial.toml",
            f"{line.size} markers with stations on the line",
            "labels need at least two, no two at one station",
            field="markers.stations",
        )
    return line


def _usual_sd(markers: Markers) -> float:
    """[m] of a coordinate; 0.5 mm where the record states none, having no labelled point."""
    stated = markers.sd[np.isfinite(markers.sd)]
    return float(np.median(stated)) if stated.size else 0.5e-3


def _flat(markers: Markers, line: Whole) -> _Flat:
    seen = np.isfinite(markers.position[:, line, 0])
    sample, column = np.nonzero(seen)
    step = 1.0 / markers.rate
    free = np.rint((markers.unlabelled_time - markers.time[0]) / step).astype(np.int64)
    inside = (free >= 0) & (free < markers.time.size)
    return _Flat(
        np.concatenate([sample, free[inside]]),
        np.concatenate([markers.position[:, line][seen], markers.unlabelled_position[inside]]),
        np.concatenate([column, np.full(int(inside.sum()), -1)]),
    )


def _hint(flat: _Flat, stations: int, settings: LabelSettings) -> Array:
    cost = np.zeros((flat.given.size, stations))
    has = np.flatnonzero(flat.given >= 0)
    cost[has] = settings.hint
    cost[has, flat.given[has]] = 0.0
    return cost


def _found(
    markers: Markers,
    flat: _Flat,
    line: Whole,
    handle_length: float,
    settings: LabelSettings,
    trust: bool,
) -> Labelling:
    """Stations of the points; with `trust`, a given label stands where its sample bears it out."""
    scale = Scale(
        step=1.0 / markers.rate,
        sd=_usual_sd(markers),
        station_sd=markers.station_sd,
        stand_off=markers.stand_off,
        rigid_to=handle_length,
    )
    station = markers.station[line]
    hint = _hint(flat, line.size, settings) if trust else None
    found = label_points(flat.sample, flat.position, station, scale, hint=hint, settings=settings)
    if not trust:
        return _with_whole(flat, found, station, scale, settings)
    cost = own_cost(flat.sample, flat.position, found.station, station, scale, settings)
    label = np.where(
        found.station >= 0, found.station, _borne_out(flat, found.station, cost, settings)
    )
    label = settled(
        flat.sample, flat.position, label, found.track, found.lead, station, scale, settings
    )
    return _with_whole(flat, replace(found, station=label), station, scale, settings)


def _with_whole(
    flat: _Flat, found: Labelling, station: Array, scale: Scale, settings: LabelSettings
) -> Labelling:
    """The labels, and those of samples that can be labelled whole."""
    label = whole_samples(
        flat.sample, flat.position, found.station, station, scale.chord_sd(station),
        scale.rigid_to, settings,
    )  # fmt: skip
    return replace(found, station=label)


def _borne_out(flat: _Flat, label: Whole, cost: Array, settings: LabelSettings) -> Whole:
    """Given labels (U,) that the point's own sample bears out, -1 elsewhere: the label's station is
    free, and cheaper by `LEAD` than any other."""
    taken = set(zip(flat.sample[label >= 0], label[label >= 0], strict=True))
    out = np.full(label.shape, -1, np.int64)
    for p in np.flatnonzero((label < 0) & (flat.given >= 0)):
        rivals = np.delete(cost[p], flat.given[p])
        free = (flat.sample[p], flat.given[p]) not in taken
        if free and rivals.min() - cost[p, flat.given[p]] > settings.lead:
            out[p] = flat.given[p]
    return out


def _handle(
    markers: Markers, flat: _Flat, found: Labelling, line: Whole, handle_length: float
) -> list[tuple[int, int]]:
    """Points that are handle markers: (point, column of `markers`).

    A track counts whose distances from two markers on the grip keep within their noise. Nothing is
    said with fewer than two markers on the grip, or where the tracks do not fall into as many
    places as there are handle labels, or two of these are nearer than 5 mm in both distances.
    """
    columns = np.flatnonzero(markers.on_handle)
    grip = np.flatnonzero(markers.station[line] < handle_length)
    if not columns.size or grip.size < 2 or np.isfinite(markers.position[:, columns]).any():
        return []
    ends = np.full((2, markers.time.size, 3), np.nan)
    for k, g in enumerate((grip[0], grip[-1])):
        own = found.station == g
        ends[k, flat.sample[own]] = flat.position[own]
    reach = np.linalg.norm(flat.position - ends[:, flat.sample], axis=-1)
    noise = 4.0 * _usual_sd(markers)
    tracks, places = [], []
    for k in np.unique(found.track[found.station < 0]):
        own = np.flatnonzero((found.track == k) & (found.station < 0))
        far = reach[:, own][:, np.isfinite(reach[:, own]).all(axis=0)]
        if far.shape[1] >= 4 and (far.std(axis=1) < noise).all() and far.max() < 2 * handle_length:
            tracks.append(own)
            places.append(far.mean(axis=1))
    groups: list[list[int]] = []
    for k in np.argsort([-t.size for t in tracks]):
        near = [g for g in groups if np.abs(places[k] - places[g[0]]).max() < 5e-3]
        if near:
            near[0].append(int(k))
        else:
            groups.append([int(k)])
    groups = [g for g in groups if sum(tracks[k].size for k in g) > 0.1 * markers.time.size]
    if len(groups) != columns.size:
        return []
    groups.sort(key=lambda g: float(places[g[0]][0]))
    pairs = []
    for column, group in zip(columns, groups, strict=True):
        points = np.concatenate([tracks[k] for k in group])
        once = np.bincount(flat.sample[points], minlength=markers.time.size) == 1
        pairs += [(int(p), int(column)) for p in points[once[flat.sample[points]]]]
    return pairs


def _written(
    markers: Markers, flat: _Flat, label: Whole, line: Whole, handle: list[tuple[int, int]]
) -> Markers:
    """The record with its points under new labels; what has none goes to the unlabelled."""
    position = markers.position.copy()
    position[:, line] = np.nan
    sd = markers.sd.copy()
    usual = _usual_sd(markers)
    sd[:, line] = np.where(np.isfinite(sd[:, line]), sd[:, line], usual)
    on = label >= 0
    position[flat.sample[on], line[label[on]]] = flat.position[on]
    free = ~on
    for point, column in handle:
        position[flat.sample[point], column] = flat.position[point]
        sd[flat.sample[point], column] = usual
        free[point] = False
    return replace(
        markers,
        position=position,
        sd=sd,
        unlabelled_time=markers.time[flat.sample[free]],
        unlabelled_position=flat.position[free],
    )


def _exchanges(markers: Markers, flat: _Flat, label: Whole, line: Whole) -> tuple[Exchange, ...]:
    """Runs of samples, up to 5 apart, in which points carried another marker's label."""
    moved = np.flatnonzero((flat.given >= 0) & (label >= 0) & (label != flat.given))
    order = moved[np.lexsort((flat.sample[moved], label[moved], flat.given[moved]))]
    same = (np.diff(flat.given[order]) == 0) & (np.diff(label[order]) == 0)
    runs = np.split(order, np.flatnonzero(~same | (np.diff(flat.sample[order]) > 5)) + 1)
    return tuple(
        Exchange(
            markers.labels[line[flat.given[run[0]]]],
            markers.labels[line[label[run[0]]]],
            float(markers.time[flat.sample[run[0]]]),
            float(markers.time[flat.sample[run[-1]]]),
            run.size,
        )
        for run in sorted((r for r in runs if r.size), key=lambda r: int(flat.sample[r[0]]))
    )


def _relabelled(
    markers: Markers, handle_length: float, settings: LabelSettings, trust: bool
) -> tuple[Markers, LabelReport]:
    line = _checked(markers)
    flat = _flat(markers, line)
    found = _found(markers, flat, line, handle_length, settings, trust)
    label = found.station
    handle = _handle(markers, flat, found, line, handle_length)
    report = LabelReport(
        kept=int(np.sum((label >= 0) & (label == flat.given))),
        added=int(np.sum((label >= 0) & (flat.given < 0))) + len(handle),
        exchanged=_exchanges(markers, flat, label, line),
        removed=int(np.sum((label < 0) & (flat.given >= 0))),
        unlabelled=int(np.sum(label < 0)) - len(handle),
        undecided=found.undecided,
    )
    return _written(markers, flat, label, line, handle), report


def label_markers(
    markers: Markers, handle_length: float = 0.0, settings: LabelSettings = LABELS
) -> tuple[Markers, LabelReport]:
    """Label every point of a record anew, whatever label it came with, if any.

    Parameters
    ----------
    markers : points of the line, with labels or without; labels and stations say what to look for.
        Points labelled as the handle's stay.
    handle_length : [m] of the rigid grip, `Line.handle_length`.

    Raises
    ------
    InputError : fewer than two stations on the line, or two markers at one.
    """
    return _relabelled(markers, handle_length, settings, trust=False)


def repair(
    markers: Markers, handle_length: float = 0.0, settings: LabelSettings = LABELS
) -> tuple[Markers, LabelReport]:
    """Find and mend exchanged labels of a labelled record; take ghosts out; label what is free.

    The labels are taken as mostly right: each counts as a weak vote, and stands where nothing is
    found against it. Parameters and errors as for `label_markers`.
    """
    return _relabelled(markers, handle_length, settings, trust=True)


def completed(
    markers: Markers, handle_length: float = 0.0, settings: LabelSettings = LABELS
) -> tuple[Markers, LabelReport]:
    """Label the points that have no label, where the label they get is free; labels that points
    came with stay, right or wrong. Parameters and errors as for `label_markers`."""
    mended, found = repair(markers, handle_length, settings)
    free = np.isnan(markers.position[..., 0])
    given = free & np.isfinite(mended.position[..., 0])
    # A point that had a label keeps it, so that it is not given another.
    given &= ~_was_labelled(markers, mended)
    position = np.where(given[..., None], mended.position, markers.position)
    sd = np.where(given, mended.sd, markers.sd)
    left = _left_over(markers, position)
    report = replace(
        found,
        kept=int(np.isfinite(markers.position[..., 0]).sum()),
        added=int(given.sum()),
        exchanged=(),
        removed=0,
        unlabelled=int(left.sum()),
    )
    whole = replace(
        markers,
        position=position,
        sd=sd,
        unlabelled_time=markers.unlabelled_time[left],
        unlabelled_position=markers.unlabelled_position[left],
    )
    return whole, report


def _was_labelled(markers: Markers, mended: Markers) -> NDArray[np.bool_]:
    """(T, L) points of the mended record that carried another label before."""
    same = (mended.position[:, :, None] == markers.position[:, None]).all(axis=-1)
    return np.asarray(same.any(axis=2))


def _left_over(markers: Markers, position: Array) -> NDArray[np.bool_]:
    """(U,) points without a label that are nowhere in the labelled places (T, L, 3)."""
    sample = np.rint((markers.unlabelled_time - markers.time[0]) * markers.rate).astype(np.int64)
    inside = (sample >= 0) & (sample < markers.time.size)
    left = np.ones(sample.size, dtype=bool)
    there = position[sample[inside]] == markers.unlabelled_position[inside, None]
    left[inside] = ~there.all(axis=-1).any(axis=1)
    return left
