"""The check on withheld samples: its algebra against real refits, and a swing of the twin."""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import Options, estimate, fusion
from lashwave.estimate.normal import Normal, factor
from lashwave.estimate.path import moved
from lashwave.estimate.sighting_rows import marker_part, marker_sd
from lashwave.estimate.withheld import Rows, chosen, leverage, rows_of, withheld_of, without
from lashwave.twin import make

N, TIMES, SHARED = 4, 12, 3
"""Of the invented problem: unknowns of a time, times, shared parameters."""


@pytest.fixture(scope="module")
def dense():
    """Rows (R, TIMES N + SHARED) in which each touches three times and the shared parameters,
    right sides (R,), and the middle time (R,) of each."""
    rng = np.random.default_rng(11)
    centre = np.repeat(np.arange(1, TIMES - 1), 8)
    rows = np.zeros((centre.size, TIMES * N + SHARED))
    for r, k in enumerate(centre):
        rows[r, (k - 1) * N : (k + 2) * N] = rng.normal(size=3 * N)
    rows[:, TIMES * N :] = 0.5 * rng.normal(size=(centre.size, SHARED))
    return rows, rng.normal(size=centre.size), centre


def _factor(rows):
    size = TIMES * N
    whole = rows.T @ rows
    band = np.zeros((3 * N, size), order="F")
    for d in range(3 * N):
        band[d, : size - d] = np.diagonal(whole[:size, :size], -d)
    empty = np.empty(0)
    return factor(
        Normal(
            band, whole[:size, size:], whole[size:, size:], empty, 0.0, empty, empty, None, N, empty
        ),  # type: ignore[arg-type]
        0.0,
    )


def _pieces(rows, centre, groups):
    body = np.stack([rows[:, (k - 1) * N : (k + 2) * N][r] for r, k in enumerate(centre)])
    return body.reshape(-1, 3, N)[groups], rows[:, TIMES * N :][groups]


def test_what_is_left_without_a_group_is_what_a_refit_leaves(dense):
    rows, right, centre = dense
    # The last group touches the last time; the second spans many times.
    groups = np.array([[0, 1, 2, 9], [3, 12, 30, 55], [40, 41, 42, 43], [70, 77, 78, 79]])
    body, shared = _pieces(rows, centre, groups)
    everything = np.linalg.lstsq(rows, right, rcond=None)[0]
    value = (rows @ everything - right)[groups]
    found = leverage(_factor(rows), Rows(centre[groups], body, shared, value))
    for group, r, h in zip(groups, value, found, strict=True):
        rest = np.setdiff1d(np.arange(right.size), group)
        fresh = np.linalg.lstsq(rows[rest], right[rest], rcond=None)[0]
        j = rows[group]
        spread = np.eye(group.size) + j @ np.linalg.inv(rows[rest].T @ rows[rest]) @ j.T
        error, sd = without(r, h)
        assert np.allclose(error, j @ fresh - right[group], rtol=1e-9, atol=1e-9)
        assert np.allclose(sd, np.sqrt(np.diag(spread)), rtol=1e-9)


def test_left_out_sightings_of_known_noise_fall_within_their_intervals_neither_more_nor_less(dense):
    """Noise of one deviation on every row: 95 % are held by 1.96 sd. Intervals 1.3 times as wide
    would hold 98.9 %, 1.3 times as narrow 86.8 %."""
    rows, _, centre = dense
    groups = np.array([[0, 1, 2, 9], [3, 12, 30, 55], [40, 41, 42, 43], [70, 77, 78, 79]])
    rng = np.random.default_rng(8)
    inside = []
    for _ in range(300):
        right = rows @ rng.normal(size=rows.shape[1]) + rng.normal(size=centre.size)
        value = (rows @ np.linalg.lstsq(rows, right, rcond=None)[0] - right)[groups]
        found = leverage(_factor(rows), Rows(centre[groups], *_pieces(rows, centre, groups), value))
        for r, h in zip(value, found, strict=True):
            error, sd = without(r, h)
            inside.append(np.abs(error) < 1.959964 * sd)
    # 4,800 of them, four to a group that share their errors: good to 0.6 %
    assert np.mean(inside) == pytest.approx(0.95, abs=0.015)


def test_no_group_gives_no_leverage(dense):
    rows, _, centre = dense
    body, shared = _pieces(rows, centre, np.empty((0, 4), dtype=np.int64))
    nothing = Rows(np.empty((0, 4), dtype=np.int64), body, shared, np.empty((0, 4)))
    assert leverage(_factor(rows), nothing).shape == (0, 4, 4)


def test_a_group_that_nothing_else_holds_is_refused():
    with pytest.raises(np.linalg.LinAlgError):
        without(np.ones(2), np.array([[1.0, 0.0], [0.0, 0.5]]))


@pytest.fixture(scope="module")
def swing():
    """A short swing's fit, and the inside of it."""
    trial, _ = make(3, "swing")
    markers = trial.markers
    markers = replace(
        markers,
        time=markers.time[:100],
        position=markers.position[:100],
        sd=markers.sd[:100],
    )
    inside = []

    def kept(setup, *rest):
        inside.extend([setup, joint_fit(setup, *rest)])
        return inside[1]

    joint_fit = fusion.joint_fit
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fusion, "joint_fit", kept)
        options = Options(draws=20, spacing_butt=0.12, spacing_tip=0.04)
        fit = estimate(replace(trial, markers=markers), options)
    return fit, *inside


def test_withheld_samples_of_a_swing_fall_within_their_intervals(swing):
    fit, setup, joint = swing
    check = fit.withheld
    share = check.count / check.count.sum()
    assert check.count.sum() >= 200
    assert set(check.label) <= set(setup.trial.markers.station)
    # All groups sit in one correlated record: only gross over-confidence can be seen here; that
    # intervals are not too wide either is seen above, where the noise is known.
    assert check.coverage @ share >= 0.80
    sample = fit.residuals.marker * marker_sd(setup, joint.weights)[..., None]
    inside = np.sqrt(np.nanmean(sample[:, ~setup.trial.markers.on_handle] ** 2))
    assert inside < np.sqrt(check.rms**2 @ share) < 5.0 * inside


def test_groups_are_seen_trusted_apart_and_at_the_fastest_moment(swing):
    _, setup, joint = swing
    samples, marker = chosen(setup, joint)
    assert np.isfinite(joint.seen.marker[samples, marker[:, None]]).all()
    pairs = np.stack([samples, np.broadcast_to(marker[:, None], samples.shape)], -1).reshape(-1, 2)
    assert np.unique(pairs, axis=0).shape == pairs.shape
    assert 40 <= marker.size <= 60
    assert np.ptp(samples) > 0.8 * setup.trial.markers.time.size


def test_where_nothing_is_trusted_nothing_is_withheld(swing):
    _, setup, joint = swing
    weights = replace(joint.weights, marker=np.zeros_like(joint.weights.marker))
    check = withheld_of(setup, replace(joint, weights=weights))
    assert check.label.shape == check.count.shape == check.rms.shape == check.coverage.shape == (0,)


def test_rows_are_the_derivative_of_what_the_markers_read(swing):
    _, setup, joint = swing
    # The columns leave out, by design, that an error of station turns with its link: it is 0 here.
    slips = [name.startswith("station:") for name in setup.shared.names]
    path, axes = joint.path, joint.axes
    path = replace(path, shared=np.where(slips, 0.0, path.shared))
    samples, marker = chosen(setup, joint)
    rows = rows_of(setup, replace(joint, path=path), samples, marker)
    # A step of the solver small enough for the derivative, large enough for rounding.
    step = 1e-6 * np.random.default_rng(2).normal(
        size=(joint.factor.coupling.shape[0] + joint.path.shared.size)
    )

    def read(sign):
        there = moved(setup, path, axes, sign * step)
        residual = marker_part(setup, there, there.node, joint.weights)[1]
        weight = np.sqrt(joint.weights.marker)[..., None]
        return (weight * residual)[samples, marker[:, None]].reshape(rows.value.shape)

    body = step[: path.time.size * setup.unknowns].reshape(path.time.size, -1)
    near = np.stack([body[rows.centre - 1 + s] for s in range(3)], axis=2)
    expected = (rows.body * near).sum((2, 3)) + rows.shared @ step[body.size :]
    assert np.allclose(0.5 * (read(1.0) + read(-1.0)), rows.value, atol=1e-6)
    assert np.allclose(0.5 * (read(1.0) - read(-1.0)), expected, rtol=1e-4, atol=1e-7)
