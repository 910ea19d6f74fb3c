"""Which dot is which station: labels for points in space, from order and spacing along the line.

Points are linked to tracks, and these are parted and joined to strands of one marker each
(`point_tracks`). Each sample then says what each of its points may be (`station_costs`), all
samples of a strand vote, and what a strand was found to be counts in turn for its neighbours, in
some rounds (min-sum message passing between samples and strands; Pearl, Probabilistic Reasoning in
Intelligent Systems, 1988). A label stands only where it leads the next best by a wide margin and
breaks no length, and where no other fits its samples better one by one: what samples hear from one
another may be their own mistake. A wrong label is worse than none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.labels.carried import carried_on
from lashwave.labels.continuity import crossed_ways, filled, jumps
from lashwave.labels.label_settings import LABELS, LabelSettings
from lashwave.labels.point_tracks import linked, strands_of
from lashwave.labels.same_marker import (
    disputed,
    elsewhere,
    handed_over,
    leapt_off,
    off_grip_distance,
    off_rigid_distance,
)
from lashwave.labels.station_costs import min_marginals
from lashwave.quantities import Array, Whole


@dataclass(frozen=True)
class Scale:
    """How well points and stations are known, and how far apart in time."""

    step: float
    """From sample to sample [s]."""
    sd: float = 0.5e-3
    """Of one coordinate of a point [m]."""
    station_sd: float = 0.0
    """[m]"""
    stand_off: float = 0.0
    """Of the markers' centres from the axis [m]."""
    rigid_to: float = 0.0
    """Length of the straight, rigid grip at the butt [m]: `Line.handle_length`."""

    def chord_sd(self, station: Array) -> Array:
        """(L, L) sd of a chord against its arc [m]: points, stations, and 0.2 % for stretch."""
        arc = np.abs(station[:, None] - station)
        fixed = 2.0 * (self.sd**2 + self.station_sd**2 + self.stand_off**2)
        return np.asarray(np.sqrt(fixed + (2e-3 * arc) ** 2))


@dataclass(frozen=True)
class Labelling:
    """Stations found for U points."""

    station: Whole
    """(U,) index into the stations; -1: no label."""
    track: Whole
    """(U,) number of the point's strand."""
    lead: Array
    """(U,) lead of the label over the next best; 0 where there is none."""
    undecided: int
    """Points of tracks that fit the line and whose labels led by too little."""
    strangers: int
    """Points with no place on the line, or seen too briefly to say: ghosts, mostly."""


@dataclass(frozen=True)
class _Table:
    """Points of the voting tracks, padded by sample."""

    sample: Whole
    """(T,) samples with points."""
    point: Whole
    """(T, N) index of the point, -1 for none."""

    def spread(self, values: Array, filled: float) -> Array:
        """Values (U, ...) of points as (T, N, ...)."""
        out = np.array(values[self.point])
        out[self.point < 0] = filled
        return out

    def gather(self, values: Array, count: int) -> Array:
        """(T, L, N) back to the points: (count, L), nan for those not in the table."""
        out = np.full((count, values.shape[1]), np.nan)
        at = self.point >= 0
        out[self.point[at]] = np.moveaxis(values, 1, 2)[at]
        return out


def _table(sample: Whole, which: NDArray[np.bool_]) -> _Table:
    index = np.flatnonzero(which)
    index = index[np.argsort(sample[index], kind="stable")]
    times, row, count = np.unique(sample[index], return_inverse=True, return_counts=True)
    point = np.full((times.size, int(count.max(initial=0))), -1, np.int64)
    column = np.arange(index.size) - np.concatenate([[0], np.cumsum(count)[:-1]])[row]
    point[row, column] = index
    return _Table(times, point)


def _totals(track: Whole, votes: Array, settings: LabelSettings) -> Array:
    """Votes (U, L) by track (K, L), as so many independent ones; points without a vote are nan."""
    total = np.zeros((int(track.max(initial=-1)) + 1, votes.shape[1]))
    np.add.at(total, track, np.nan_to_num(votes))
    count = np.bincount(track, np.isfinite(votes).all(axis=1), minlength=len(total))
    return total / (settings.independent + settings.often * count)[:, None]


def label_points(
    sample: ArrayLike,
    position: ArrayLike,
    station: ArrayLike,
    scale: Scale,
    *,
    hint: ArrayLike | None = None,
    settings: LabelSettings = LABELS,
) -> Labelling:
    """Label points that have none, over a whole record.

    Parameters
    ----------
    sample : (U,) number of the sample each point was seen at; position : (U, 3) [m].
    station : (L,) arc lengths along the line [m], increasing, at least two.
    hint : (U, L) cost of each point at each station from elsewhere, such as labels that are
        mostly right; it counts as votes of single samples do.

    Notes
    -----
    A line that is evenly marked looks the same from both ends. Without a hint, and with nothing
    uneven in its stations, no label leads, and none is given.
    """
    sample, position = np.asarray(sample, dtype=np.int64), np.asarray(position, dtype=float)
    station = np.asarray(station, dtype=float)
    pieces = linked(sample, position, scale.sd, scale.step, settings.link)
    track = strands_of(sample, position, pieces, scale.sd, settings=settings)
    count = len(sample)
    given = np.zeros((count, station.size)) if hint is None else np.asarray(hint, dtype=float)
    pairs = scale.chord_sd(station)
    # Points too brief to vote are points of the line all the same.
    table = _table(sample, np.ones(count, dtype=bool))
    points = table.spread(position, np.nan)
    alone = given + _alone_say(table, points, count, station, scale, settings)
    votes, cost = _consulted(table, points, track, given, station, scale, settings)
    label, lead, undecided, strangers = _decide(track, votes + given, cost, alone, settings)
    label = np.where(_rivalled(sample, track, label, cost + given, settings), -1, label)
    label = settled(sample, position, label, track, lead, station, scale, settings)
    for _ in range(settings.again):
        # With neighbours known for sure, more is sure.
        votes = own_cost(sample, position, label, station, scale, settings)
        cost = np.minimum(votes - votes.min(axis=1, keepdims=True), settings.cap) + given
        later, better, undecided, strangers = _decide(track, cost, votes, alone, settings)
        later = np.where(_rivalled(sample, track, later, votes + given, settings), -1, later)
        new = (label < 0) & (later >= 0)
        label, lead = np.where(new, later, label), np.where(new, better, lead)
        label = settled(sample, position, label, track, lead, station, scale, settings)
    label = _of_one_marker(sample, position, label, track, station, scale, settings)
    for _ in range(settings.onward):
        carried = carried_on(
            sample, position, label, station, pairs, scale.sd, scale.step,
            settings.carry, settings.chain,
        )  # fmt: skip
        label = settled(sample, position, carried, track, lead, station, scale, settings)
    label = _of_one_marker(sample, position, label, track, station, scale, settings)
    return Labelling(label, track, np.where(label >= 0, lead, 0.0), undecided, strangers)


def _consulted(
    table: _Table,
    points: Array,
    track: Whole,
    given: Array,
    station: Array,
    scale: Scale,
    settings: LabelSettings,
) -> tuple[Array, Array]:
    """What samples say of their points (U, L), and the costs (U, L) in their labellings, after
    rounds in which samples and tracks inform one another."""
    votes = np.full(given.shape, np.nan)
    cost, pairs = votes.copy(), scale.chord_sd(station)
    long = np.bincount(track, minlength=1)[track] >= settings.shortest
    for _ in range(settings.rounds if long.any() else 0):
        tracks = np.minimum(_totals(track, votes + given, settings)[track], 20.0)
        tracks -= tracks.min(axis=1, keepdims=True)
        tracks[~long] = 0.0
        unary = np.moveaxis(table.spread(tracks, 0.0), 2, 1)
        relative = min_marginals(points, station, unary, pairs, settings.chain, scale.rigid_to)
        cost = table.gather(relative, len(track))
        message = cost - tracks  # what the sample says, without what its own track said
        votes = np.minimum(message - np.min(message, axis=1, keepdims=True), settings.cap)
    return votes, cost


def settled(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    lead: Array,
    station: Array,
    scale: Scale,
    settings: LabelSettings,
) -> Whole:
    """Labels (U,) that are one to a sample, break no length and go on without a leap.

    Those of single points that can only be one marker are added.

    Parameters
    ----------
    sample : (U,) number of each point's sample; position : (U, 3) [m].
    label, track, lead : (U,) labels so far, tracks, and leads of the labels.
    station : (L,) [m] along the line.
    """
    label = _alone(sample, label, lead)
    pairs = scale.chord_sd(station)
    label = _within_length(sample, position, label, track, lead, station, pairs)
    rigid = np.flatnonzero(station < scale.rigid_to)
    for _ in range(2):
        label = np.where(
            off_rigid_distance(sample, position, label, track, rigid, scale.sd, settings=settings),
            -1,
            label,
        )
        label = np.where(
            leapt_off(sample, position, label, track, lead, scale.step, settings=settings),
            -1,
            label,
        )
        label = np.where(jumps(sample, position, label, scale.sd, settings=settings), -1, label)
        label = filled(sample, position, label, scale.sd, settings=settings)
    for unsure in (crossed_ways, jumps):
        label = np.where(unsure(sample, position, label, scale.sd, settings), -1, label)
    return _alone(sample, label, lead)


def _of_one_marker(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    station: Array,
    scale: Scale,
    settings: LabelSettings,
) -> Whole:
    """Labels (U,) without those that two strands (U,) dispute, or that another marker carries."""
    label = np.where(elsewhere(sample, label, track), -1, label)
    for unsure in (disputed, handed_over):
        label = np.where(unsure(sample, position, label, track, scale.sd, settings), -1, label)
    rigid = np.flatnonzero(station < scale.rigid_to)
    return np.where(
        off_grip_distance(sample, position, label, track, rigid, scale.sd, settings=settings),
        -1,
        label,
    )


def own_cost(
    sample: Whole,
    position: Array,
    label: Whole,
    station: Array,
    scale: Scale,
    settings: LabelSettings,
) -> Array:
    """(U, L) cost [1] of every point at every station over its sample's best labelling.

    The labels so far stay fixed.

    Parameters
    ----------
    sample : (U,) number of each point's sample; position : (U, 3) [m].
    label : (U,) labels so far.
    station : (L,) [m] along the line.
    """
    table = _table(sample, np.ones(sample.size, dtype=bool))
    unary = np.where((label >= 0)[:, None], 2.0 * settings.cap, 0.0) * np.ones(station.size)
    fixed = np.flatnonzero(label >= 0)
    unary[fixed, label[fixed]] = 0.0
    spread = np.moveaxis(table.spread(unary, 0.0), 2, 1)
    points = table.spread(position, np.nan)
    pairs = scale.chord_sd(station)
    cost = min_marginals(points, station, spread, pairs, settings.chain, scale.rigid_to)
    return table.gather(cost, label.size)


def _alone_say(
    table: _Table, points: Array, count: int, station: Array, scale: Scale, settings: LabelSettings
) -> Array:
    """(U, L) what each sample says of its points by itself."""
    pairs = scale.chord_sd(station)
    none = np.zeros((len(points), station.size, points.shape[1]))
    cost = min_marginals(points, station, none, pairs, settings.chain, scale.rigid_to)
    said = table.gather(cost, count)
    return np.minimum(said - said.min(axis=1, keepdims=True), settings.cap)


def _decide(
    track: Whole, votes: Array, cost: Array, alone: Array, settings: LabelSettings
) -> tuple[Whole, Array, int, int]:
    """Label (U,) and its lead (U,) by tracks; points undecided, and with no place on the line.

    What samples tell one another may bear itself out. So a label also needs that its own samples,
    each alone (U, L), do not speak for another.
    """
    voted = np.isfinite(votes).all(axis=1)
    size = np.bincount(track[voted], minlength=int(track.max(initial=-1)) + 1)
    total = _totals(track, votes, settings)
    best = total.argmin(axis=1)
    ranked = np.sort(total, axis=1)
    own, each = best[track], np.arange(len(track))
    against = _totals(track, alone, settings)
    agree = against[np.arange(best.size), best] - against.min(axis=1) <= settings.contrary
    lead = ranked[:, 1] - ranked[:, 0]
    at_best = np.where(voted, cost[each, own], 0.0)
    mean = np.bincount(track, at_best, minlength=size.size) / np.maximum(size, 1)
    fits = (size >= settings.shortest) & (mean <= settings.worst)
    sure = fits & (lead >= settings.margin) & agree
    label = np.where(sure[track] & voted, own, -1)
    return label, lead[track], int(np.sum(fits[track] & ~sure[track])), int(np.sum(~fits[track]))


def _rivalled(
    sample: Whole, track: Whole, label: Whole, cost: Array, settings: LabelSettings
) -> NDArray[np.bool_]:
    """(U,) labelled points of tracks whose station another track might hold as well.

    In the samples that both have, the cost (U, L) of the other is too little more: a marker on
    the handle may stand as far from the grip's others as one on the axis.
    """
    out = np.zeros(label.size, dtype=bool)
    for k in np.unique(label[label >= 0]):
        here = np.isfinite(cost[:, k])
        for t in np.unique(track[label == k]):
            own = np.flatnonzero((track == t) & here)
            shared = here & (track != t) & np.isin(sample, sample[own])
            others, back, count = np.unique(track[shared], return_inverse=True, return_counts=True)
            if not others.size:
                continue
            more = np.bincount(back, cost[shared, k]) / count - cost[own, k].mean()
            long = count >= max(settings.shortest, 0.1 * own.size)
            out[own] |= bool((long & (more < settings.rival)).any())
    return out & (label >= 0)


def _alone(sample: Whole, label: Whole, lead: Array) -> Whole:
    """Where two points of a sample have one label, only that of the greater lead keeps it."""
    label = label.copy()
    order = np.lexsort((-lead, label, sample))
    order = order[label[order] >= 0]
    twin = (np.diff(sample[order]) == 0) & (np.diff(label[order]) == 0)
    label[order[1:][twin]] = -1
    return label


def _within_length(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    lead: Array,
    station: Array,
    pairs: Array,
) -> Whole:
    """Labels without those of points that stand farther from others than the line allows.

    A chord over its arc by more than 5 standard deviations breaks it. In each sample the point
    with most breaks goes, of equals that with the lesser lead, until none is left; a track that
    so loses a third of its labels loses all.
    """
    begun = label
    label = label.copy()
    while True:
        table = _table(sample, label >= 0)
        if not table.point.size:
            break
        place = table.spread(position, np.nan)
        which = np.where(table.point >= 0, label[table.point], 0)
        distance = np.linalg.norm(place[:, :, None] - place[:, None], axis=-1)
        one, two = which[:, :, None], which[:, None]
        arc, sd = np.abs(station[one] - station[two]), pairs[one, two]
        with np.errstate(invalid="ignore"):
            breaks = (distance > arc + 5.0 * sd).sum(axis=2)
        worst = breaks.max(axis=1)
        if not worst.any():
            break
        founded = np.where(breaks == worst[:, None], table.spread(lead, np.inf), np.inf)
        gone = table.point[np.arange(worst.size), founded.argmin(axis=1)]
        label[gone[worst > 0]] = -1
    count = int(track.max(initial=-1)) + 1
    lost = np.bincount(track[(begun >= 0) & (label < 0)], minlength=count)
    had = np.bincount(track[begun >= 0], minlength=count)
    return np.where((3 * lost > had)[track], -1, label)
