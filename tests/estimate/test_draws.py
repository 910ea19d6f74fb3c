"""A draw is a motion: its places, speeds, clock and energy belong together.

The motion here is a straight line that turns about its butt, known in closed form; the posterior is
the Gaussian of the equations about it, with no search, so that no compilation is needed.
"""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import normal as eq, posterior
from lashwave.estimate.anchor import shape_prior
from lashwave.estimate.joint import Joint
from lashwave.estimate.noise import spread
from lashwave.estimate.options import Options
from lashwave.estimate.path import from_nodes, with_shares
from lashwave.estimate.posterior import draws_of, field_of, slid, slipped
from lashwave.estimate.setup import LENGTH, set_up
from lashwave.estimate.sighting_rows import full_weights
from lashwave.estimate.sweep import initial_shared
from tests.twin.rigid import PEAK, rigid_throw

DRAWS = 300
STEP = 2e-4


@pytest.fixture(scope="module")
def problem():
    """Setup, joint (its mode is the truth) and the dense covariance of its unknowns."""
    trial, truth = rigid_throw(2)
    markers = trial.markers
    keep = [0, 1, 4, 7, 10]
    few = replace(
        markers,
        labels=tuple(markers.labels[i] for i in keep),
        position=markers.position[:, keep],
        sd=markers.sd[:, keep],
        station=markers.station[keep],
        station_sd=0.0,
    )
    trial = replace(trial, markers=few)
    options = Options(draws=DRAWS, spacing_butt=1.0, spacing_tip=1.0, spacing_clamp=0.3)
    setup = set_up(trial, options)
    time = PEAK + STEP * np.arange(-16, 17)
    node = truth.path.at(time, setup.chain.station)[0]
    shared = initial_shared(setup)
    for i, name in enumerate(setup.shared.names):
        shared[i] = truth.answers.get(name, shared[i]) if ":" in name else shared[i]
    path = from_nodes(setup, time, node, shared)
    density, weights, anchor = spread(setup, path), full_weights(setup), shape_prior(setup, path)
    path = with_shares(setup, path, density)
    normal = eq.build(setup, path, density, weights, anchor)
    size = path.time.size * setup.unknowns
    whole = np.zeros((size, size))
    for i, row in enumerate(normal.band):
        whole[np.arange(i, size), np.arange(size - i)] = row[: size - i]
    whole += np.tril(whole, -1).T
    cover = np.linalg.inv(np.block([[whole, normal.border], [normal.border.T, normal.corner]]))
    joint = Joint(
        path, density, weights, anchor, normal.axes, normal.seen, eq.factor(normal, 0.0), (),
        True, 1.0,
    )  # fmt: skip
    return trial, setup, joint, cover


@pytest.fixture(scope="module")
def draws(problem):
    """Draws whose line slides along itself by 2 cm, so that what that does can be seen."""
    _, setup, joint, _ = problem
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(posterior, "SLIDE_SD", 0.02)
        return draws_of(setup, joint, joint.factor)


def test_the_speed_of_a_draw_is_the_rate_of_its_place(draws):
    """Simpson's rule: x(t + h) - x(t - h) = h / 3 (v(t - h) + 4 v(t) + v(t + h)), to h^4."""
    x, v = draws.position.astype(float), draws.velocity.astype(float)
    inner = slice(4, -4)  # away from the ends of the record
    moved = (x[:, 2:] - x[:, :-2])[:, inner]
    through = (STEP / 3 * (v[:, :-2] + 4 * v[:, 1:-1] + v[:, 2:]))[:, inner]
    sd = v[:, 1:-1][:, inner].std(axis=0)
    for station in range(2, x.shape[2]):
        off = (moved - through)[:, :, station] / (2 * STEP)
        assert np.sqrt((off**2).mean()) < 0.1 * np.sqrt((sd[:, station] ** 2).mean()), station


def _off(camera, draws, d, own):
    """Root mean square [px] of draw d's tip against the camera's points, by the clock and image
    offsets of draw `own`; the motion is read by its own rule, the cubic Hermite."""
    offset, drift, u, v = (
        draws.shared[f"{what}:{camera.name}"][own]
        for what in ("clock_offset", "clock_drift", "registration_u", "registration_v")
    )
    time = offset + (1.0 + drift) * camera.frame / camera.rate
    inside = (time > draws.time[0]) & (time < draws.time[-1])
    k = np.searchsorted(draws.time, time[inside]) - 1
    x = ((time[inside] - draws.time[k]) / STEP)[:, None]
    place, speed = (a[d, :, -1].astype(float) for a in (draws.position, draws.velocity))
    at = (1 + 2 * x) * (1 - x) ** 2 * place[k] + x**2 * (3 - 2 * x) * place[k + 1]
    at += STEP * (x * (1 - x) ** 2 * speed[k] + x**2 * (x - 1) * speed[k + 1])
    image = at @ camera.projection[:2, :3].T + camera.projection[:2, 3] + np.array([u, v])
    return np.sqrt(((image - camera.uv[inside]) ** 2).mean())


def test_a_draws_clock_and_image_offsets_are_those_by_which_its_tip_is_seen(problem):
    trial, setup, joint, _ = problem
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(posterior, "SLIDE_SD", 0.0)
        draws = draws_of(setup, joint, joint.factor)
    camera = trial.cameras[0]
    own = [_off(camera, draws, d, d) for d in range(DRAWS)]
    other = [_off(camera, draws, d, d - 1) for d in range(DRAWS)]
    # the points scatter by 0.4 px; what is left is that a draw is carried to first order
    assert np.median(own) < 3 * camera.sd
    assert np.median(own) < 0.3 * np.median(other)


def test_draws_are_as_wide_as_the_equations_say(problem, draws):
    """The butt has no part in the slide: its spread is that of the dense inverse, both ways."""
    _, setup, joint, cover = problem
    n = setup.unknowns
    expected = np.sqrt(np.diag(cover)[: joint.path.time.size * n].reshape(-1, n)[:, :3])
    found = draws.position[:, :, 0].std(axis=0, ddof=1)
    ratio = np.sqrt(((found / expected) ** 2).mean())
    # one spread from 300 draws is good to 4 %; neighbouring times are alike
    assert ratio == pytest.approx(1.0, abs=0.12)


def test_a_cameras_parameters_are_wider_by_what_is_stated_and_the_motion_follows(problem, draws):
    trial, setup, joint, cover = problem
    size = joint.path.time.size * setup.unknowns
    shared = cover[size:, size:]
    clock = setup.shared.index(f"clock_offset:{trial.cameras[0].name}")
    for what in ("registration_u", "registration_v", "clock_offset"):
        name = f"{what}:{trial.cameras[0].name}"
        column = setup.shared.index(name)
        own = shared[column, column]
        # a clock's deviation grows by half of itself, and what goes with it by its regression
        wider = own + 0.25 * shared[column, clock] ** 2 / shared[clock, clock]
        found = draws.shared[name].std(ddof=1)
        assert found == pytest.approx(np.sqrt(wider), rel=5 / np.sqrt(2 * DRAWS)), what


def test_a_draws_energy_is_that_of_its_own_speeds(problem, draws):
    _, setup, _, _ = problem
    near, far = (draws.velocity[:, :, s].astype(float) for s in (slice(None, -1), slice(1, None)))
    m = setup.chain.link_mass
    energy = (
        0.5 * m[:, 0] * (near * near).sum(-1)
        + m[:, 1] * (near * far).sum(-1)
        + 0.5 * m[:, 2] * (far * far).sum(-1)
    ).sum(-1)
    ratio = draws.kinetic_energy / energy
    # a draw's line is heavier or lighter than stated, by the table's sd: one factor a draw
    np.testing.assert_allclose(ratio / ratio[:, :1], 1.0, rtol=1e-4)
    assert np.abs(ratio[:, 0] - 1.0).max() < 5 * posterior.mass_sd(setup)


def test_the_stated_speed_holds_what_the_slide_does_to_it(problem, draws):
    """A line that lies d further along itself and turns by w moves d w faster across."""
    _, setup, joint, _ = problem
    still = {}
    for hinge in (0.0, 0.2):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(posterior, "SLIDE_SD", hinge)
            own = draws_of(setup, joint, joint.factor)
        still[hinge] = field_of(setup, joint, own).velocity_sd[16, -1]
    turn = np.gradient(joint.path.direction[:, -1], joint.path.time, axis=0)[16]
    added = np.sqrt((still[0.2] ** 2 - still[0.0] ** 2).clip(0.0).sum())
    assert added == pytest.approx(0.2 * np.linalg.norm(turn), rel=0.25)


def test_a_line_further_along_itself_leaves_its_markers_where_they_are(problem):
    """Places move by d along the line, stations by -d: the marker's place in space stays."""
    trial, _, joint, _ = problem
    known = replace(trial, markers=replace(trial.markers, station_sd=1e-3))
    setup = set_up(known, Options(spacing_butt=1.0, spacing_tip=1.0, spacing_clamp=0.3))
    moved, slip = slid(setup, joint.path), slipped(setup)
    markers, along = known.markers, joint.path.direction[16, -1]
    for label, station in zip(markers.labels, markers.station, strict=True):
        node = int(np.abs(setup.chain.station - station).argmin())
        left = moved[16, node] + slip[setup.shared.index(f"station:{label}")] * along
        np.testing.assert_allclose(left, 0.0, atol=1e-6, err_msg=label)
    longer = setup.shared.index(LENGTH)
    assert longer >= 0 and slip[longer] == -1.0
    assert np.count_nonzero(slip) == 1 + (markers.station > trial.line.handle_length).sum()
