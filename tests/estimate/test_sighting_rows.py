"""Rows of sightings: values from plain interpolation, derivatives by central differences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import jerk_rows as jerk
from lashwave.estimate.path import displaced
from lashwave.estimate.sighting_rows import (
    Weights,
    camera_times,
    full_weights,
    look,
    marker_sd,
    station_nodes,
    tail_weights,
    time_weights,
)
from lashwave.instruments import project
from tests.estimate.small_fit import both_ways, path_of, setup_of, step_of, trial_of


def problem(seed: int, **given):
    rng = np.random.default_rng(seed)
    setup = setup_of(trial_of(rng, **given))
    return setup, path_of(setup, rng), rng


def placed(setup, path, station, when):
    """Place (3,) of a station at a time: the parabola through three times, straight in between."""
    middle = int(np.clip(np.abs(path.time - when).argmin(), 1, path.time.size - 2))
    near = slice(middle - 1, middle + 2)
    nodes = setup.chain.station
    place = np.array([[np.interp(station, nodes, x) for x in node.T] for node in path.node[near]])
    return np.array([np.polyval(np.polyfit(path.time[near] - when, c, 2), 0.0) for c in place.T])


@pytest.mark.parametrize(("seed", "station_sd"), [(1, 1e-3), (2, 1e-3), (3, 0.0)])
def test_marker_residuals_are_prediction_less_sample_over_sd(seed, station_sd):
    setup, path, _rng = problem(seed, station_sd=station_sd)
    index = setup.shared.index
    shared = path.shared.copy()
    if station_sd:
        shared[index("station:M2")] = 3e-3
    path = replace(path, shared=shared)
    markers = setup.trial.markers
    found = look(setup, path, full_weights(setup)).marker
    sd = np.sqrt(markers.sd**2 + markers.stand_off**2 / 3)
    np.testing.assert_allclose(marker_sd(setup, full_weights(setup)), sd)
    inside = (markers.time >= path.time[0]) & (markers.time <= path.time[-1])
    assert 3 < inside.sum() < markers.time.size
    for t, when in enumerate(markers.time):
        for li in range(4):
            seen = inside[t] and np.isfinite(markers.position[t, li, 0])
            if not seen:
                assert np.isnan(found[t, li]).all()
                continue
            place = placed(setup, path, markers.station[li], when)
            if (
                li == 2 and station_sd
            ):  # its station is 3 mm further out, along the link before its node
                k = int(np.clip(np.abs(path.time - when).argmin(), 1, path.time.size - 2))
                node = int(np.abs(setup.chain.station - 0.6).argmin())
                place = place + 3e-3 * path.direction[k, node - 1]
            expected = (place - markers.position[t, li]) / sd[t, li]
            np.testing.assert_allclose(found[t, li], expected, rtol=1e-7, atol=1e-6)
        if inside[t]:  # the marker on the handle: along the grip and from its axis
            ends = [placed(setup, path, s, when) for s in (0.0, 0.1)]
            axis, arm = (ends[1] - ends[0]) / 0.1, markers.position[t, 4] - ends[0]
            height = arm @ axis
            radius = np.linalg.norm(arm - height * axis)
            known = [path.shared[index(f"{w}:H1")] for w in ("axial", "radial")]
            expected = (np.array([height, radius]) - known) / sd[t, 4]
            np.testing.assert_allclose(found[t, 4, :2], expected, rtol=1e-6)
            assert np.isnan(found[t, 4, 2])


@pytest.mark.parametrize("seed", [1, 2])
def test_camera_residuals_are_image_and_registration_less_point(seed):
    setup, path, _rng = problem(seed)
    index = setup.shared.index
    shared = path.shared.copy()
    shared[index("clock_drift:near")] = 4e-3
    path = replace(path, shared=shared)
    seen = look(setup, path, full_weights(setup))
    for camera in setup.trial.cameras:
        offset, drift, u, v = (
            shared[index(f"{n}:{camera.name}")]
            for n in ("clock_offset", "clock_drift", "registration_u", "registration_v")
        )
        times = offset + (1.0 + drift) * camera.frame / camera.rate
        np.testing.assert_allclose(camera_times(setup, camera, shared), times)
        used = 0
        for p, when in enumerate(times):
            if not path.time[0] <= when <= path.time[-1]:
                assert np.isnan(seen.camera[camera.name][p]).all()
                continue
            used += 1
            image = project(camera, placed(setup, path, camera.station[p], when))
            expected = (image + np.array([u, v]) - camera.uv[p]) / camera.point_sd[p]
            np.testing.assert_allclose(seen.camera[camera.name][p], expected, rtol=1e-6)
        assert 2 <= used < camera.frame.size
    both = [seen.marker[:, :4].ravel(), seen.marker[:, 4, :2].ravel(), *seen.camera.values()]
    whole = sum(float(np.nansum(part**2)) for part in both)
    assert seen.cost == pytest.approx(whole, rel=1e-9)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("handle", [0.1, 0.0])
def test_rows_are_the_derivatives_of_their_values(seed, handle):
    """Along a random step of places, clocks, registrations, stations and the handle's marker."""
    setup, path, rng = problem(seed, handle=handle)
    doubt = full_weights(setup)
    doubt = Weights(
        rng.uniform(0.2, 1.0, doubt.marker.shape),
        {n: rng.uniform(0.2, 1.0, w.shape) for n, w in doubt.camera.items()},
        1.5,
    )
    step = step_of(setup, path, rng)
    small = 1e-7
    after, before = both_ways(setup, path, step, small)
    (node, p, w, value, tcol, tval), starts, *_ = vars_of(look(setup, path, doubt))
    plus, minus = (vars_of(look(setup, q, doubt))[0][3] for q in (after, before))
    slope = (plus - minus) / (2 * small)
    moved = (after.node - before.node) / (2 * small)
    np.testing.assert_allclose(
        displaced(path, path.reach(setup), small * step) - path.node, small * moved, atol=1e-10
    )
    shared = step[path.time.size * setup.unknowns :]
    time_of = np.repeat(np.arange(path.time.size), np.diff(starts))
    assert starts[0] == 0 and starts[-1] == value.size
    for r in range(value.size):
        expected = 0.0
        for m in range(2):
            if node[r, m] < 0:
                continue
            for s in range(3):
                expected += w[r, s] * p[r, m] @ moved[time_of[r] - 1 + s, node[r, m]]
        for column, factor in zip(tcol[r], tval[r], strict=True):
            expected += factor * shared[column] if column >= 0 else 0.0
        assert slope[r] == pytest.approx(expected, rel=2e-4, abs=2e-4 * np.abs(slope).max() * 1e-2)


def vars_of(seen):
    return seen.rows, seen.starts, seen.cost


def test_doubt_scales_rows_and_softens_cameras():
    """A weight enters by its root; a camera's softened deviation replaces smaller ones only; one
    that is left out has no rows; what has no weight at all is not looked at."""
    setup, path, _rng = problem(3)
    trust = full_weights(setup)
    plain = look(setup, path, trust)
    half = Weights(0.25 * trust.marker, {n: 0.25 * w for n, w in trust.camera.items()})
    assert look(setup, path, half).cost == pytest.approx(0.25 * plain.cost)
    np.testing.assert_allclose(look(setup, path, half).marker, plain.marker)
    soft = look(setup, path, replace(trust, camera_sd=0.4))
    expected = np.nansum(plain.marker[:, :4] ** 2) + np.nansum(plain.marker[:, 4, :2] ** 2)
    for camera in setup.trial.cameras:
        share = camera.point_sd / np.maximum(camera.point_sd, 0.4)
        expected += np.nansum((plain.camera[camera.name] * share[:, None]) ** 2)
    assert soft.cost == pytest.approx(expected)
    out = look(setup, path, replace(trust, camera_sd=np.inf))
    assert all(np.isnan(r).all() for r in out.camera.values())
    assert out.cost == pytest.approx(np.nansum(plain.marker**2))
    none = trust.marker.copy()
    none[:, 1] = 0.0
    less = look(setup, path, replace(trust, marker=none))
    assert np.isnan(less.marker[:, 1]).all() and np.isfinite(less.marker[:, 2]).any()


def test_between_times_a_parabola_is_kept():
    rng = np.random.default_rng(4)
    grid = np.cumsum(rng.uniform(0.5, 2.0, 8))
    at = rng.uniform(grid[0], grid[-1], 40)
    k, weight, rate = time_weights(grid, at)
    three = grid[k[:, None] + [-1, 0, 1]]
    np.testing.assert_allclose(weight.sum(1), 1.0)
    np.testing.assert_allclose((weight * three**2).sum(1), at**2)
    np.testing.assert_allclose(rate.sum(1), 0.0, atol=1e-12)
    np.testing.assert_allclose((rate * three).sum(1), 1.0)
    np.testing.assert_allclose((rate * three**2).sum(1), 2 * at)
    assert ((k >= 1) & (k <= 6)).all()
    nearest = np.abs(grid - at[:, None]).argmin(1)
    assert (k == np.clip(nearest, 1, 6)).all()
    _on, exact, _ = time_weights(grid, grid[2:5])
    np.testing.assert_array_equal(exact, np.tile([0.0, 1.0, 0.0], (3, 1)))


def test_stations_lie_between_their_nodes():
    setup, _, rng = problem(5)
    nodes = setup.chain.station
    station = np.concatenate([rng.uniform(0.0, 1.0, 20), nodes])
    index, share = station_nodes(setup, station)
    for s, (i, j), (a, b) in zip(station, index, share, strict=True):
        assert a * nodes[i] + (b * nodes[j] if j >= 0 else 0.0) == pytest.approx(s, abs=1e-9)
        assert a + b == pytest.approx(1.0)
        assert (j == -1) == (b == 0.0) and (j in (-1, i + 1))
    assert (index[20:, 1] == -1).all() and index[20:, 0].tolist() == list(range(nodes.size))


def test_far_sightings_are_trusted_less():
    """Fully up to three deviations in three coordinates; a Student tail (nu + c) / (nu + r2)."""
    far = np.zeros((4, 3))
    far[:, 0] = [2.9, 3.3, 10.0, np.nan]
    for degrees in (4.0, 10.0):
        found = tail_weights(far, degrees)
        tail = (degrees + 10.0) / (degrees + far[:3, 0] ** 2)
        np.testing.assert_allclose(found[:3], np.minimum(1.0, tail))
        assert found[3] == 1.0 and found[1] < 1.0 == found[0]
    two = tail_weights(np.array([[3.0, 1.0], [0.0, 5.0]]), 4.0)
    np.testing.assert_allclose(two, [min(1.0, 11.0 / 14.0), 11.0 / 29.0])


@pytest.mark.parametrize("handle", [0.1, 0.0])
def test_the_hands_jerk_and_its_derivative(handle):
    """(a_{k+1} - a_k) / sqrt(q h), a_k = (v+ - v-) / H, by loops; slopes by differences."""
    setup, path, rng = problem(6, handle=handle)
    setup = replace(setup, hand_jerk=350.0)
    value, slope = jerk.jerk_rows(setup, path)
    driven = 2 if handle else 1
    t, x = path.time, path.node
    for k in range(t.size - 3):
        row = []
        for i in range(driven):
            a = []
            for c in (k + 1, k + 2):
                fore, back = t[c + 1] - t[c], t[c] - t[c - 1]
                rise = (x[c + 1, i] - x[c, i]) / fore - (x[c, i] - x[c - 1, i]) / back
                a.append(rise / (0.5 * (fore + back)))
            row.append((a[1] - a[0]) / np.sqrt(350.0 * (t[k + 2] - t[k + 1])))
        np.testing.assert_allclose(value[k], np.concatenate(row), rtol=1e-9)
    step = step_of(setup, path, rng)
    after, before = both_ways(setup, path, step)
    change = (jerk.jerk_rows(setup, after)[0] - jerk.jerk_rows(setup, before)[0]) / 2e-6
    own = step[: t.size * setup.unknowns].reshape(t.size, -1)[:, : jerk.width(setup)]
    assert jerk.width(setup) == (5 if handle else 3) == slope.shape[-1]
    expected = sum(
        np.einsum("rmu,ru->rm", slope[:, :, s], own[s : s + t.size - 3]) for s in range(4)
    )
    np.testing.assert_allclose(change, expected, atol=1e-5 * np.abs(expected).max())
    # the band and the gradient: the normal equations of these rows, dense
    n, w, size = setup.unknowns, jerk.width(setup), t.size * setup.unknowns
    rows = np.zeros((*value.shape, size))
    for r in range(t.size - 3):
        for s in range(4):
            rows[r, :, (r + s) * n : (r + s) * n + w] = slope[r, :, s]
    rows = rows.reshape(-1, size)
    band, gradient = np.zeros((3 * n + w, size)), np.zeros(size)
    products = jerk.jerk_of(setup, path)
    products.add(band, gradient, 0, 2)
    products.add(band, gradient, 2, t.size)
    cost = products.cost(slice(None))
    assert cost == pytest.approx((value**2).sum())
    np.testing.assert_allclose(gradient, rows.T @ value.ravel(), atol=1e-9 * np.abs(gradient).max())
    whole = rows.T @ rows
    for d in range(3 * n + w):
        np.testing.assert_allclose(
            band[d, : size - d], np.diag(whole, -d), atol=1e-9 * np.abs(whole).max()
        )
