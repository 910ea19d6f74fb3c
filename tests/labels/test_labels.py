"""Linking over time, and which dot is which station.

References: brute force over all labellings of a small sample; the invented motions' own truth.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations, product

import numpy as np
import pytest

from lashwave.labels.assign import LabelSettings, Scale, _rivalled, label_points
from lashwave.labels.point_tracks import linked
from lashwave.labels.relabel import label_markers, repair
from lashwave.labels.station_costs import ChainSettings, chord_cost, min_marginals
from lashwave.quantities.errors import InputError
from lashwave.quantities.sightings import Markers
from tests.points.lines import GRIP, STATION, STEP, fold, seen

SCALE = Scale(STEP, sd=0.3e-3, rigid_to=GRIP)


def record(position: np.ndarray, **more: np.ndarray) -> Markers:
    labels = tuple(f"M{k:02d}" for k in range(position.shape[1]))
    station = np.append(STATION, np.full(position.shape[1] - STATION.size, np.nan))
    time = np.arange(len(position)) * STEP
    return Markers(time, labels, position, np.full(position.shape[:2], 0.3e-3), station, **more)


def test_the_invented_line_keeps_its_length() -> None:
    true = fold(150, 1)
    chord = np.linalg.norm(true[:, :, None] - true[:, None], axis=-1)
    arc = np.abs(STATION[:, None] - STATION)
    assert (chord <= arc + 5e-3).all()
    # and passes itself by: markers 0.4 m apart along the line come within 10 cm
    assert chord[:, arc > 0.4].min() < 0.1


def test_min_marginals_against_all_labellings() -> None:
    # 4 points, 3 stations: every way to give stations to points or to none, costs summed up.
    rng = np.random.default_rng(0)
    station, settings = np.array([0.0, 0.2, 0.5]), ChainSettings()
    points = np.array([[0, 0, 0], [0.19, 0, 0], [0.4, 0.2, 0], [0.1, 0.1, 0.2]]) * 1.0
    unary, sd = rng.uniform(0, 3, (3, 4)), np.full((3, 3), 2e-3)
    least = np.full((3, 4), np.inf)
    best = np.inf
    for pick in product(range(-1, 4), repeat=3):
        used = [(k, p) for k, p in enumerate(pick) if p >= 0]
        if len({p for _, p in used}) < len(used):
            continue
        cost = settings.missing * (3 - len(used)) - settings.left_over * len(used)
        cost += sum(unary[k, p] for k, p in used)
        for (j, p), (k, q) in zip(used, used[1:], strict=False):
            distance = np.linalg.norm(points[p] - points[q])
            cost += float(chord_cost(distance, station[k] - station[j], 2e-3, settings))
        best = min(best, cost)
        for k, p in used:
            least[k, p] = min(least[k, p], cost)
    found = min_marginals(points[None], station, unary[None], sd)[0]
    assert found == pytest.approx(least - best, abs=1e-9)


def test_tracks_hold_one_marker_each() -> None:
    rng = np.random.default_rng(1)
    sample, place, label = seen(fold(150, 1), rng, ghosts=0.05)
    track = linked(sample, place, 0.3e-3, STEP)
    assert len(np.unique(np.stack([track, sample]), axis=1).T) == len(track)
    real = label >= 0
    pure = 0
    for k in np.unique(track):
        own = label[(track == k) & real]
        pure += np.bincount(own).max() if own.size else 0
    assert pure / real.sum() > 0.995
    length = np.bincount(track)[track]
    assert np.mean(length[real] >= 10) > 0.8


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_wrong_label_among_ghosts_and_crossings(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sample, place, label = seen(fold(150, seed), rng)
    found = label_points(sample, place, STATION, SCALE)
    given = found.station >= 0
    assert np.array_equal(found.station[given], label[given])
    assert given.sum() > 0.8 * (label >= 0).sum()


def test_an_evenly_marked_line_seen_alone_gets_no_label() -> None:
    # The same from both ends: every labelling has its mirror image, of equal cost.
    even = np.linspace(0.0, 1.1, 12)
    true = np.zeros((60, 12, 3))
    true[..., 0] = even
    true[..., 2] = 0.1 * np.sin(np.arange(60) * 0.1)[:, None]
    sample, column = np.nonzero(np.ones((60, 12)))
    found = label_points(sample, true[sample, column], even, Scale(STEP))
    assert (found.station < 0).all()
    assert found.undecided == 720
    # A hint at one end settles it for all.
    hint = np.zeros((720, 12))
    hint[column == 11, :6] = 15.0
    hinted = label_points(sample, true[sample, column], even, Scale(STEP), hint=hint)
    assert np.array_equal(hinted.station, column)


def test_exchanged_labels_are_found_and_mended() -> None:
    rng = np.random.default_rng(4)
    true = fold(150, 4)
    position = true + rng.normal(0.0, 0.3e-3, true.shape)
    position[40:60, [4, 5]] = position[40:60, [5, 4]]
    position[90:97, [8, 10]] = position[90:97, [10, 8]]
    ghost = rng.random(true.shape[:2]) < 0.03
    position[ghost] += 0.15
    mended, report = repair(record(position), GRIP)
    labelled = np.isfinite(mended.position[..., 0])
    away = np.linalg.norm(mended.position - true, axis=-1)
    assert away[labelled].max() < 2e-3
    assert labelled.sum() > 0.9 * (~ghost).sum()
    found = {(e.wrong, e.right) for e in report.exchanged}
    assert found == {("M04", "M05"), ("M05", "M04"), ("M08", "M10"), ("M10", "M08")}
    assert report.removed >= ghost.sum() * 0.95
    assert any("M04 are M05" in line for line in report.sentences)
    first = next(e for e in report.exchanged if e.wrong == "M04")
    assert first.first == pytest.approx(40 * STEP, abs=3 * STEP)


def test_a_clean_record_is_left_as_it_is() -> None:
    rng = np.random.default_rng(5)
    true = fold(120, 5)
    markers = record(true + rng.normal(0.0, 0.3e-3, true.shape))
    same, report = repair(markers, GRIP)
    kept = np.isfinite(same.position[..., 0])
    assert np.array_equal(same.position[kept], markers.position[kept])
    assert report.exchanged == () and report.added == 0
    assert report.kept > 0.98 * kept.size


def test_unlabelled_points_of_a_record_and_handle_markers() -> None:
    rng = np.random.default_rng(6)
    true = fold(150, 6)
    sample, place, label = seen(true, rng, ghosts=0.05)
    axis = (true[:, 1] - true[:, 0]) / np.linalg.norm(true[:, 1] - true[:, 0], axis=-1)[:, None]
    side = np.cross(axis, [0.0, 1.0, 0.0])
    arms = np.stack([true[:, 0] + 0.04 * side, true[:, 0] + 0.08 * axis - 0.05 * side], axis=1)
    samples = np.repeat(np.arange(150), 2)
    points = np.concatenate([place, arms.reshape(-1, 3) + rng.normal(0, 0.3e-3, (300, 3))])
    bare = record(
        np.full((150, 14, 3), np.nan),
        unlabelled_time=np.concatenate([sample, samples]) * STEP,
        unlabelled_position=points,
    )
    found, report = label_markers(bare, GRIP)
    away = np.linalg.norm(found.position - np.concatenate([true, arms], axis=1), axis=-1)
    labelled = np.isfinite(away)
    assert away[labelled].max() < 2e-3
    assert labelled[:, :12].sum() > 0.75 * (label >= 0).sum()
    assert labelled[:, 12:].mean() > 0.6
    assert labelled.sum() + len(found.unlabelled_time) == len(points)
    assert report.added == labelled.sum() and report.unlabelled == len(found.unlabelled_time)


@pytest.mark.parametrize(
    ("misfit", "samples", "rivalled"),
    [(1.0, 20, True), (1.1, 20, True), (1.3, 20, False), (1.0, 5, False), (0.0, 3, False)],
)
def test_a_label_that_another_track_might_hold_as_well_is_none(misfit, samples, rivalled) -> None:
    """Two tracks, the first labelled: a rival whose cost is that of under 1.2 standard deviations
    more takes the label away, if it is there for a tenth of the samples and four at least."""
    long = 60
    sample = np.concatenate([np.arange(long), np.arange(samples)])
    track = np.repeat([0, 1], [long, samples])
    label = np.where(track == 0, 2, -1)
    cost = np.full((sample.size, 4), 9.0)
    cost[track == 0, 2] = 0.2
    cost[track == 1, 2] = 0.2 + 0.5 * misfit**2
    found = _rivalled(sample, track, label, cost, LabelSettings())
    assert np.array_equal(found, (track == 0) & rivalled)
    apart = _rivalled(sample + 1000 * track, track, label, cost, LabelSettings())
    assert not apart.any()  # never in one sample: nobody's rival


def test_too_few_stations_are_named() -> None:
    markers = record(fold(30, 1))
    lone = replace(
        markers,
        labels=markers.labels[:1],
        position=markers.position[:, :1],
        sd=markers.sd[:, :1],
        station=markers.station[:1],
    )
    with pytest.raises(InputError, match=r"markers\.stations: 1 markers .* at least two"):
        label_markers(lone)


def test_order_of_points_does_not_matter() -> None:
    rng = np.random.default_rng(7)
    sample, place, _ = seen(fold(60, 7), rng)
    order = rng.permutation(sample.size)
    one = label_points(sample, place, STATION, SCALE)
    two = label_points(sample[order], place[order], STATION, SCALE)
    assert np.mean(one.station[order] == two.station) > 0.999


def test_permutations_of_a_sample_cost_more_than_the_truth() -> None:
    # All 24 orders of four markers of a bent line: the chain's sum is least for the right one.
    settings, station = ChainSettings(), STATION[4:8]
    points = fold(150, 3)[70, 4:8]

    def cost(order: tuple[int, ...]) -> float:
        return sum(
            float(
                chord_cost(
                    np.linalg.norm(points[order[k + 1]] - points[order[k]]),
                    station[k + 1] - station[k],
                    1e-3,
                    settings,
                )
            )
            for k in range(3)
        )

    assert min(permutations(range(4)), key=cost) == (0, 1, 2, 3)
