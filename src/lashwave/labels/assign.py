"""Which dot is which station: labels for points in space, from order and spacing along the line.

Points are linked to tracks (`linking`), and these are parted and joined to strands of one marker
each (`strands`). Each sample then says what each of its points may be (`chain`), all samples of a
strand vote, and what a strand was found to be counts in turn for its neighbours, some rounds of it
(min-sum message passing between samples and strands; Pearl, Probabilistic Reasoning in Intelligent
Systems, 1988). A label stands only where it leads the next best by a wide margin and breaks no
length: a wrong label is worse than none.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.labels.carried import CarryRule, carry
from lashwave.labels.chain import ChainRule, min_marginals
from lashwave.labels.continuity import crossed, fill, jumps
from lashwave.labels.identity import LeapRule, disputed, elsewhere, handed_over, torn
from lashwave.labels.linking import LinkRule, link
from lashwave.labels.rigid import bent, misplaced
from lashwave.labels.strands import strands
from lashwave.quantities.arrays import Array, Whole


@dataclass(frozen=True)
class LabelRule:
    """When a label is believed."""

    shortest: int = 4
    """Samples of a track that may vote."""
    rounds: int = 3
    again: int = 2
    """Further rounds, with the labels that are sure held fast."""
    onward: int = 4
    """Rounds in which labels are carried on past the ends of their tracks."""
    independent: float = 3.0
    """Samples that together count as one vote: neighbours in time have the same shape."""
    often: float = 0.2
    """Share of a track's samples that comes on top: a bend that misleads may last as long."""
    margin: float = 16.0
    """Least lead of a track's label over the next best: odds of e^16, were votes what they say."""
    worst: float = 1.0
    """Largest mean cost of a track's label over the best labelling of its samples: more, and
    the track has no place on the line."""
    rival: float = 0.7
    """By which another track must cost more at a track's station, in the mean of the samples that
    both have, where these are a tenth of the track's or more: a misfit of 1.2 sd, for none."""
    cap: float = 15.0
    """Most that one sample may say against a label."""
    chain: ChainRule = field(default_factory=ChainRule)
    link: LinkRule = field(default_factory=LinkRule)
    leap: LeapRule = field(default_factory=LeapRule)
    carry: CarryRule = field(default_factory=CarryRule)


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

    def spread(self, values: Array, fill: float) -> Array:
        """Values (U, ...) of points as (T, N, ...)."""
        out = np.array(values[self.point])
        out[self.point < 0] = fill
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


def _totals(track: Whole, votes: Array, rule: LabelRule) -> Array:
    """Votes (U, L) by track (K, L), as so many independent ones; points without a vote are nan."""
    total = np.zeros((int(track.max(initial=-1)) + 1, votes.shape[1]))
    np.add.at(total, track, np.nan_to_num(votes))
    count = np.bincount(track, np.isfinite(votes).all(axis=1), minlength=len(total))
    return total / (rule.independent + rule.often * count)[:, None]


def label_points(
    sample: ArrayLike,
    position: ArrayLike,
    station: ArrayLike,
    scale: Scale,
    *,
    hint: ArrayLike | None = None,
    rule: LabelRule = LabelRule(),
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
    linked = link(sample, position, scale.sd, scale.step, rule.link)
    track = strands(sample, position, linked, scale.sd)
    count = len(sample)
    given = np.zeros((count, station.size)) if hint is None else np.asarray(hint, dtype=float)
    votes = np.full((count, station.size), np.nan)
    cost = votes.copy()
    pairs = scale.chord_sd(station)
    for _ in range(rule.rounds):
        long = np.bincount(track, minlength=1)[track] >= rule.shortest
        if not long.any():
            break
        table = _table(sample, long)
        tracks = np.minimum(_totals(track, votes + given, rule)[track], 20.0)
        tracks -= tracks.min(axis=1, keepdims=True)
        unary = np.moveaxis(table.spread(tracks, 0.0), 2, 1)
        points = table.spread(position, np.nan)
        relative = min_marginals(points, station, unary, pairs, rule.chain, scale.rigid_to)
        cost = table.gather(relative, count)
        message = cost - tracks  # what the sample says, without what its own track said
        votes = np.minimum(message - np.min(message, axis=1, keepdims=True), rule.cap)
    label, lead, undecided, strangers = _decide(track, votes + given, cost, rule)
    label = np.where(_rivalled(sample, track, label, cost + given, rule), -1, label)
    label = settled(sample, position, label, track, lead, station, scale, rule)
    for _ in range(rule.again):
        # With neighbours known for sure, more is sure.
        votes = own_cost(sample, position, label, track, station, scale, rule)
        cost = np.minimum(votes - votes.min(axis=1, keepdims=True), rule.cap) + given
        later, better, undecided, strangers = _decide(track, cost, votes, rule)
        later = np.where(_rivalled(sample, track, later, votes + given, rule), -1, later)
        new = (label < 0) & (later >= 0)
        label, lead = np.where(new, later, label), np.where(new, better, lead)
        label = settled(sample, position, label, track, lead, station, scale, rule)
    label = _of_one_marker(sample, position, label, track, station, scale)
    for _ in range(rule.onward):
        carried = carry(
            sample, position, label, station, pairs, scale.sd, scale.step, rule.carry, rule.chain
        )
        label = settled(sample, position, carried, track, lead, station, scale, rule)
    label = _of_one_marker(sample, position, label, track, station, scale)
    return Labelling(label, track, np.where(label >= 0, lead, 0.0), undecided, strangers)


def settled(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    lead: Array,
    station: Array,
    scale: Scale,
    rule: LabelRule,
) -> Whole:
    """Labels (U,) that are one to a sample, break no length and go on without a leap; those of
    single points that can only be one marker are added. Arguments as in `label_points`, and the
    labels, tracks and leads (U,) so far."""
    label = _alone(sample, label, lead)
    pairs = scale.chord_sd(station)
    label = _within_length(sample, position, label, track, lead, station, pairs)
    rigid = np.flatnonzero(station < scale.rigid_to)
    for _ in range(2):
        label = np.where(bent(sample, position, label, track, rigid, scale.sd), -1, label)
        label = np.where(
            torn(sample, position, label, track, lead, scale.step, rule.leap), -1, label
        )
        label = np.where(jumps(sample, position, label, scale.sd), -1, label)
        label = fill(sample, position, label, scale.sd)
    for unsure in (crossed, jumps):
        label = np.where(unsure(sample, position, label, scale.sd), -1, label)
    return _alone(sample, label, lead)


def _of_one_marker(
    sample: Whole, position: Array, label: Whole, track: Whole, station: Array, scale: Scale
) -> Whole:
    """Labels (U,) without those that two strands (U,) dispute, or that another marker carries."""
    label = np.where(elsewhere(sample, label, track), -1, label)
    for unsure in (disputed, handed_over):
        label = np.where(unsure(sample, position, label, track, scale.sd), -1, label)
    rigid = np.flatnonzero(station < scale.rigid_to)
    return np.where(misplaced(sample, position, label, track, rigid, scale.sd), -1, label)


def own_cost(
    sample: Whole,
    position: Array,
    label: Whole,
    track: Whole,
    station: Array,
    scale: Scale,
    rule: LabelRule,
) -> Array:
    """(U, L) cost of every point at every station over the best labelling of its own sample, the
    labels (U,) so far held fast; nan for points of tracks too short to vote and without a label.
    Arguments as in `label_points`."""
    table = _table(sample, (np.bincount(track)[track] >= rule.shortest) | (label >= 0))
    unary = np.where((label >= 0)[:, None], 2.0 * rule.cap, 0.0) * np.ones(station.size)
    held = np.flatnonzero(label >= 0)
    unary[held, label[held]] = 0.0
    spread = np.moveaxis(table.spread(unary, 0.0), 2, 1)
    points = table.spread(position, np.nan)
    pairs = scale.chord_sd(station)
    cost = min_marginals(points, station, spread, pairs, rule.chain, scale.rigid_to)
    return table.gather(cost, label.size)


def _decide(
    track: Whole, votes: Array, cost: Array, rule: LabelRule
) -> tuple[Whole, Array, int, int]:
    """Label (U,) and its lead (U,) by tracks; points undecided, and with no place on the line."""
    voted = np.isfinite(votes).all(axis=1)
    size = np.bincount(track[voted], minlength=int(track.max(initial=-1)) + 1)
    total = _totals(track, votes, rule)
    best = total.argmin(axis=1)
    ranked = np.sort(total, axis=1)
    lead = ranked[:, 1] - ranked[:, 0]
    at_best = np.where(voted, cost[np.arange(len(track)), best[track]], 0.0)
    mean = np.bincount(track, at_best, minlength=size.size) / np.maximum(size, 1)
    fits = (size >= rule.shortest) & (mean <= rule.worst)
    sure = fits & (lead >= rule.margin)
    label = np.where(sure[track] & voted, best[track], -1)
    return label, lead[track], int(np.sum(fits[track] & ~sure[track])), int(np.sum(~fits[track]))


def _rivalled(
    sample: Whole, track: Whole, label: Whole, cost: Array, rule: LabelRule
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
            long = count >= max(rule.shortest, 0.1 * own.size)
            out[own] |= bool((long & (more < rule.rival)).any())
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
