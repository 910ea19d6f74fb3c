"""The hand's pull, impulse and work of cases that a textbook settles."""

import numpy as np
import pytest

from lashwave.answers import energy, momentum, pull

STATION = np.array([0.0, 0.2, 0.5, 1.0])
TIME = np.array([0.0, 0.1, 0.15, 0.4, 1.0])
STILL = np.zeros((5, 4, 3))


def test_a_hand_that_holds_a_line_still_gives_the_impulse_of_its_weight(imposed):
    # Newton: impulse = weight * time, though nothing moves. 20 g for 1 s.
    force = np.broadcast_to([0.0, 0.0, 0.02 * 9.80665], (1, 5, 3))
    draws = imposed.draws(TIME, STATION, STILL, STILL, hand_force=force)
    impulse = momentum.hand_impulse(draws)[0]
    assert np.linalg.norm(impulse) == pytest.approx(0.1961330, rel=1e-9)


def test_impulse_is_a_vector_sum_not_a_sum_of_sizes(imposed):
    time = np.linspace(0.0, 1.0, 2001)
    turn = 2 * np.pi * time
    force = np.stack([np.cos(turn), np.sin(turn), 0.3 * np.ones_like(turn)], axis=-1)[None]
    still = np.zeros((2001, 4, 3))
    draws = imposed.draws(time, STATION, still, still, hand_force=force)
    impulse = momentum.hand_impulse(draws)[0]
    assert np.linalg.norm(impulse) == pytest.approx(0.3, rel=1e-9)


def test_the_impulse_says_what_is_known_of_its_fault(imposed):
    force = np.broadcast_to([0.0, 0.3, 0.4], (400, TIME.size, 3))
    draws = imposed.draws(TIME, STATION, STILL, STILL, hand_force=force)
    whole = 0.5 * np.ptp(TIME)
    found = momentum.with_impulse_error(momentum.hand_impulse(draws))
    # 1 %; of 400 draws: the mean to 5 of its own sd, the deviation to 5 of its own
    assert found.mean() == pytest.approx(whole, rel=5 * 0.01 / 20)
    assert found.std() == pytest.approx(0.01 * whole, rel=5 / np.sqrt(800))


def test_work_is_the_integral_of_power_and_grows_to_it(imposed):
    # work 1 J in 1 s; a trapezoid holds a straight line exactly
    power = np.broadcast_to(2.0 * TIME, (400, TIME.size))
    draws = imposed.draws(TIME, STATION, STILL, STILL, hand_power=power)
    assert energy.work_so_far(draws.time, draws.hand_power)[0] == pytest.approx(TIME**2, rel=1e-12)
    # what is known of its fault is added, 0.7 %: of 400 draws to 5 of their own sd
    work = energy.work_with_model_error(draws)[:, -1]
    assert work.mean() == pytest.approx(1.0, abs=5 * 0.007 / 20)
    assert work.std() == pytest.approx(0.007, rel=5 / np.sqrt(800))


def test_the_pull_is_read_past_the_bend_at_the_grip(imposed):
    station = np.array([0.0, 0.2, 0.22, 0.5])

    def read(tension, grip_end):
        every = np.broadcast_to(tension, (1, 5, 4))
        draws = imposed.draws(TIME, station, STILL, STILL, tension=every)
        return pull.past_clamp(draws, grip_end)

    # a mean over time of what stays the same: only rounding
    for tension, end, past in (
        ([np.nan, 7.0, 5.0, 3.0], 0.2, 5.0),
        ([9.0, 7.0, 5.0, 3.0], 0.21, 3.0),
        ([9.0, 7.0, 5.0, 3.0], 0.0, 7.0),
        ([np.nan, np.nan, np.nan, 3.0], 0.2, 3.0),
    ):
        np.testing.assert_allclose(read(tension, end), past, rtol=1e-12)
    assert np.isnan(read([np.nan] * 4, 0.2)).all()


@pytest.mark.parametrize("degrees", [0.0, 30.0, 60.0, 85.0])
def test_the_tension_at_the_grip_is_that_of_a_clamped_elastica(imposed, degrees):
    # B q'' = F sin q from a clamp at angle q0, straight far out (Euler's elastica), integrated by
    # an independent solver; its tension is the pull's part along the line.
    from scipy.integrate import solve_bvp

    start, force, stiffness = np.radians(degrees), 40.0, 1.5e-3
    x = np.linspace(0.0, 0.12, 400)
    found = solve_bvp(
        lambda s, y: np.stack([y[1], force / stiffness * np.sin(y[0])]),
        lambda a, b: np.array([a[0] - start, b[0]]),
        x,
        np.stack([start * np.exp(-x / 6e-3), -start / 6e-3 * np.exp(-x / 6e-3)]),
        tol=1e-8,
        max_nodes=20000,
    )
    node = 4.6e-3
    expected = force * np.cos(found.sol(0.010)[0])  # 10 mm after the grip
    station = np.array([0.0, 0.2, 0.2 + node, 0.22, 0.24, 0.28, 0.31, 0.5])
    angle = np.where(station <= 0.2, start, 0.0)
    slope = np.stack([np.cos(angle), 0.0 * angle, np.sin(angle)], axis=-1)
    steps = np.diff(station)[:, None] * slope[1:]
    place = np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
    place = np.broadcast_to(place, (3, 5, 8, 3))
    tension = np.full((3, 5, 8), force)
    tension[:, :, :2] = np.nan
    draws = imposed.draws(TIME, station, place, 0.0 * place, tension=tension)
    read = pull.grip_tension(draws, 0.2, np.full(3, stiffness))
    np.testing.assert_allclose(read, expected, rtol=1e-4)
    bare = pull.grip_tension(draws, 0.0, np.full(3, stiffness))  # no grip, so no direction
    np.testing.assert_allclose(bare, force)


def test_the_peak_pull_looks_no_further_than_the_tips_peak():
    pull = np.array([[1.0, 4.0, 2.0, 9.0, 30.0]])
    assert momentum.peak_time(TIME, pull, np.array([0.12]))[0] == 0.1
    # linear in between: it may be greatest at the end itself
    assert momentum.peak_time(TIME, pull, np.array([0.275]))[0] == 0.275
    assert momentum.peak_time(TIME, pull, np.array([2.0]))[0] == 1.0


def test_jitter_does_not_make_the_peak_pull_larger(monkeypatch):
    # E max of 200 standard normals is 2.75 (tables of order statistics, from memory): a peak of
    # each draw's own would come out 2.7 N high
    rng = np.random.default_rng(1)
    time = np.linspace(0.0, 1.0, 200)
    tension = 50.0 * np.sin(np.pi * time) + rng.standard_normal((400, 200))
    found = pull.peak_pull(time, tension, np.ones(400))
    assert found.std() == pytest.approx(np.hypot(1.0, 50.0 * 0.05), rel=0.15)  # 5 % of fault
    monkeypatch.setattr(pull, "PULL_MODEL_SD", 0.0)
    calm = pull.peak_pull(time, tension, np.ones(400))
    # of 400 draws with 1 N each: 0.06 N; of choosing among medians that jitter by 0.06 N
    assert np.median(calm) == pytest.approx(50.0, abs=0.4)
