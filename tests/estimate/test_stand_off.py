"""Markers that stand off the line: axes that go with it, rows, and how far nobody stated.

Places here are made by hand from the path itself, so no simulation stands between.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import Options, estimate
from lashwave.estimate.path import Path, chords, with_shares
from lashwave.estimate.setup import OFF_AXIS, standing_off
from lashwave.estimate.sighting_rows import full_weights, look, marker_part
from lashwave.estimate.stand_off import arms_followed, axes_across, likeliest
from lashwave.twin import make
from tests.estimate.small_fit import path_of, setup_of, trial_of

SIZE = 4e-3


def setup_off(rng, size):
    """A setup whose markers stand off by so much, as stated."""
    trial = trial_of(rng)
    return setup_of(replace(trial, markers=replace(trial.markers, stand_off=size)))


def standing(rng):
    """A setup whose markers stand off, a path of it, and its weights with axes."""
    setup = setup_off(rng, SIZE)
    path = path_of(setup, rng, 7)
    path = with_shares(setup, path, np.ones(path.node.shape[:2]))
    return setup, path, arms_followed(setup, path, full_weights(setup))


def test_axes_are_square_to_each_other_and_to_a_line_that_turns_in_a_plane():
    """Turning about y, what lies along y stays there: no twist comes in."""
    setup = setup_off(np.random.default_rng(2), 0.0)
    angle = np.linspace(0.0, 2.0, 40)
    way = np.stack([np.sin(angle), 0 * angle, np.cos(angle)], axis=-1)
    direction = np.repeat(way[:, None], setup.chain.links, axis=1)
    times = setup.trial.markers.time
    time = np.linspace(times[0], times[-1], angle.size)
    path = Path(time, np.zeros((40, 3)), direction, setup.shared.mean, chords(setup, direction))
    axes = axes_across(setup, path)[:, ~setup.trial.markers.on_handle]
    at = np.interp(times, time, angle)
    line = np.stack([np.sin(at), 0 * at, np.cos(at)], axis=-1)
    assert np.abs(np.einsum("tlax,tx->tla", axes, line)).max() < 1e-3  # linear between times
    square = np.einsum("tlax,tlbx->tlab", axes, axes)
    assert square == pytest.approx(np.broadcast_to(np.eye(2), square.shape), abs=1e-12)
    along_y = axes[..., 1]
    assert along_y == pytest.approx(np.broadcast_to(along_y[:1], along_y.shape), abs=1e-12)
    assert np.abs(along_y[0]).max(axis=-1) == pytest.approx(1.0, abs=1e-12)


def test_arms_of_markers_are_found_where_the_motion_is_known():
    """Markers put on arms by hand; the rows alone give the arms back, to rounding."""
    rng = np.random.default_rng(3)
    setup, path, weights = standing(rng)
    markers = setup.trial.markers
    arm = rng.normal(0.0, SIZE, (len(markers.labels), 2))
    _, off = marker_part(setup, path, path.node, weights)  # where they are now, in their own sd
    inside = np.isfinite(off).all(-1)
    moved = markers.position + off * markers.sd[..., None]  # onto the axis
    moved += np.einsum("tlax,la->tlx", weights.across, arm)
    trial = replace(setup.trial, markers=replace(markers, position=moved))
    there = replace(setup, trial=trial)
    rows = marker_part(there, path, path.node, weights)[0]
    columns = [
        there.shared.index(f"{what}:{label}")
        for label in np.asarray(markers.labels)[inside.any(axis=0)]
        for what in OFF_AXIS
    ]
    value, tcol, tval = rows[4], rows[5], rows[6]
    matrix = np.stack([np.where(tcol == c, tval, 0.0).sum(axis=1) for c in columns], axis=1)
    found = -np.linalg.lstsq(matrix, value, rcond=None)[0]
    assert found == pytest.approx(arm[inside.any(axis=0)].ravel(), abs=1e-9)
    path.shared[columns] = found
    assert np.nanmax(np.abs(marker_part(there, path, path.node, weights)[1])) < 1e-6


def test_noise_alone_whitens_markers_whose_arms_are_followed():
    setup, path, weights = standing(np.random.default_rng(4))
    spread = look(setup, path, full_weights(setup)).marker
    followed = look(setup, path, weights).marker
    ratio = setup.trial.markers.spread / setup.trial.markers.sd
    assert followed == pytest.approx(spread * ratio[..., None], nan_ok=True)


@pytest.mark.parametrize("size", [0.0, 2e-3, 8e-3])
def test_the_likeliest_stand_off_is_that_of_the_arms(size):
    """Independent arms seen with one noise: sum(arm^2) / 2M = size^2 / 2 + noise^2 in the mean."""
    rng = np.random.default_rng(6)
    count, noise = 4000, 0.5e-3
    seen = rng.normal(0.0, np.hypot(size / np.sqrt(2.0), noise), count)
    found, gain = likeliest(np.eye(count) / noise**2, seen / noise**2)
    if size == 0.0:
        assert found < 0.15e-3 and gain < 10.0
    else:
        closed = np.sqrt(2.0 * max((seen**2).mean() - noise**2, 0.0))
        assert found == pytest.approx(closed, rel=0.05)  # the sizes tried are 9 % apart
        assert found == pytest.approx(size, rel=0.1) and gain > 100.0


def test_nothing_is_added_where_markers_are_on_the_axis():
    setup = setup_off(np.random.default_rng(1), 0.0)
    assert standing_off(setup, 0.0) is setup
    assert not any(n.startswith(OFF_AXIS) for n in setup.shared.names)
    weights = full_weights(setup)
    assert arms_followed(setup, path_of(setup, np.random.default_rng(1), 5), weights) is weights


def test_a_stated_stand_off_is_an_unknown_of_each_marker_on_the_line():
    setup = setup_off(np.random.default_rng(1), SIZE)
    shared = setup.shared
    arms = [n for n in shared.names if n.startswith(OFF_AXIS)]
    assert len(arms) == 2 * int((~setup.trial.markers.on_handle).sum())
    assert shared.sd[[shared.index(n) for n in arms]] == pytest.approx(SIZE / np.sqrt(2.0))


def test_a_fit_finds_a_stand_off_that_nobody_stated():
    """Some 0.2 s of a simulated swing, on a coarse chain; the twin put the markers 5 mm off."""
    trial, _ = make(3, "swing", stand_off=5e-3)
    markers = trial.markers
    markers = replace(
        markers, time=markers.time[:100], position=markers.position[:100], sd=markers.sd[:100],
        stand_off=0.0,
    )  # fmt: skip
    options = Options(draws=20, spacing_butt=0.12, spacing_tip=0.04)
    fit = estimate(replace(trial, markers=markers), options)
    assert fit.stand_off == pytest.approx(5e-3, rel=0.2)
    assert any("off the line's axis" in said for said in fit.warnings)
