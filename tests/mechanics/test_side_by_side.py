"""Many members at once: each goes where the leapfrog goes, whoever is beside it and by any way."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.throw import GRAVITY, line
from lashwave.mechanics import on_gpu
from lashwave.mechanics.air import medium
from lashwave.mechanics.chain import build
from lashwave.mechanics.grip import Grip, fixed
from lashwave.mechanics.lanes import WIDTH
from lashwave.mechanics.law import Law
from lashwave.mechanics.ledger import RESULTS, greatest_mean
from lashwave.mechanics.quick import simulate_quickly
from lashwave.mechanics.rest import rest_shape
from lashwave.mechanics.side_by_side import Member, together
from lashwave.mechanics.simulation import SimulationError, setup
from lashwave.quantities import InputError
from lashwave.quantities.trial import Air

FINENESS = (0.02, 0.1, 2e-4)
TIMES = np.linspace(0.0, 0.4, 9)


def flung(strength: float) -> Grip:
    """A hand at rest that is flung forward and sideways, and turned."""
    t = np.linspace(-0.05, 0.6, 400)
    way = 6.0 * strength * np.maximum(t, 0.0) ** 4
    turn = 4.0 * np.maximum(t, 0.0) ** 3
    return Grip(t, np.stack([way, 0.3 * way, 0 * t], axis=1),
                np.stack([np.sin(turn), 0.2 * np.sin(turn), -np.cos(turn)], axis=1))  # fmt: skip


def members(count: int, rigid: bool) -> tuple[list[Member], list]:
    """Lines, hands and airs that all differ, and what they were made of."""
    out, made = [], []
    for k in range(count):
        share = k / max(count - 1, 1)
        body = replace(line(), handle_length=0.2 if rigid else 0.0)
        body = replace(body, linear_density=body.linear_density * (1.0 + share))
        stations = np.linspace(0.0, 2.6, 14) if not rigid else np.r_[0.0, np.linspace(0.2, 2.6, 13)]
        chain = build(body, stations, body.bending_stiffness, np.array([1.1]), np.array([1e-3]),
                      np.array([5e-3]))  # fmt: skip
        if not rigid:  # clamped without a rigid link
            chain = replace(chain, bend=np.r_[2.0 * chain.bend[1], chain.bend[1:]])
        grip, air, law = flung(1.0 + share), medium(Air(280.0 + 20.0 * share)), Law(1.0 + share)
        start = rest_shape(chain, grip, GRAVITY, law, time=0.0)
        made.append((chain, grip, air, law, start))
        out.append(Member(setup(chain, grip, air, GRAVITY, law), chain.node_mass, start,
                          np.zeros_like(start), 0.0, 0.4))  # fmt: skip
    return out, made


@pytest.mark.parametrize("rigid", [True, False])
def test_a_member_goes_where_the_leapfrog_goes_and_its_account_closes(rigid) -> None:
    asked, made = members(2, rigid)
    found = together(asked, FINENESS, beyond=11, times=TIMES, exact=True, threads=1)
    for k, (chain, grip, air, law, start) in enumerate(made):
        fine = np.linspace(0.0, 0.4, 801)
        alone = simulate_quickly(chain, grip, air, GRAVITY, law, fine, start, fineness=FINENESS)
        np.testing.assert_allclose(found.place[k], alone.position[::100], atol=2e-4)
        got = dict(zip(RESULTS, found.result[k], strict=True))
        speed = np.linalg.norm(alone.velocity[:, -1], axis=1)
        assert got["speed"] == pytest.approx(speed.max(), rel=2e-3)
        assert got["time"] == pytest.approx(fine[speed.argmax()], abs=1e-3)
        force = np.linalg.norm(alone.hand_force, axis=1)
        mean = greatest_mean(fine, force, 0, int(np.searchsorted(fine, got["time"])), 5e-3)
        assert got["force"] == pytest.approx(mean, rel=1e-2)
        kinetic = alone.accounts.kinetic
        assert got["open"] < 2e-3 * kinetic.max() and got["ill"] == 0.0


def test_lanes_in_single_precision_find_what_double_finds_whoever_is_beside() -> None:
    asked, _ = members(2 * WIDTH + 3, True)  # more than fit at once: places are taken over
    wide = together(asked, FINENESS, beyond=11, times=TIMES, threads=2)
    exact = together(asked[::7], FINENESS, beyond=11, times=TIMES, exact=True, threads=1)
    np.testing.assert_allclose(wide.place[::7], exact.place, atol=2e-4)
    steady = [RESULTS.index(n) for n in ("speed", "time", "x", "z", "end_energy", "force")]
    np.testing.assert_allclose(
        wide.result[::7, steady], exact.result[:, steady], rtol=1e-3, atol=1e-6
    )
    some = together(asked[5:7], FINENESS, beyond=11, threads=1)
    np.testing.assert_allclose(
        some.result[:, steady], wide.result[5:7, steady], rtol=1e-3, atol=1e-6
    )


def test_a_pendulum_of_one_stiff_line_swings_at_its_frequency() -> None:
    # A uniform hanging chain's first mode: 2.4048^2 g / (4 L) = omega^2 (zero of J0).
    body = replace(line(), handle_length=0.0, linear_density=np.full(101, 0.05))
    chain = build(body, np.linspace(0.0, 2.6, 41), 1e-9 * np.ones(101))
    grip = fixed(np.zeros(3), np.array([0.0, 0.0, -1.0]))
    thin = replace(medium(Air()), density=0.0)
    still = Law(damping_time=0.0)
    s = 2.6 - chain.station
    from scipy.special import j0

    tilt = 1e-3 * j0(2.4048255577 * np.sqrt(s / 2.6))
    t = np.diff(np.stack([tilt, 0 * s, -chain.station], axis=1), axis=0)
    t *= (chain.length / np.linalg.norm(t, axis=1))[:, None]
    start = np.vstack([np.zeros(3), np.cumsum(t, axis=0)])
    period = 2 * np.pi / (2.4048255577 / 2 * np.sqrt(9.81 / 2.6))
    one = Member(setup(chain, grip, thin, GRAVITY, still), chain.node_mass, start,
                 np.zeros_like(start), 0.0, 1.01 * period)  # fmt: skip
    times = np.array([0.25, 0.5, 1.0]) * period
    place = together([one], (0.02, 0.1, 1e-3), beyond=38, times=times, exact=True).place[0]
    x = place[:, -1, 0] / start[-1, 0]
    np.testing.assert_allclose(x, [0.0, -1.0, 1.0], atol=0.02)


def test_lines_that_do_not_fit_together_are_told() -> None:
    asked, made = members(1, True)
    free = asked[0]._replace(ready=setup(made[0][0], None, made[0][2], GRAVITY))
    with pytest.raises(SimulationError, match="held at their butt alone"):
        together([free], FINENESS, beyond=11)
    other, _ = members(1, False)
    with pytest.raises(SimulationError, match="alike many links"):
        together([asked[0], other[0]], FINENESS, beyond=11)
    short = together(asked, FINENESS, beyond=11, exact=True, most=50)
    assert short.result[0, RESULTS.index("ill")] == 2.0


def card() -> bool:
    from numba import cuda

    return bool(cuda.is_available())


@pytest.mark.skipif(card(), reason="this machine has a graphics card")
def test_without_a_card_one_line_says_so() -> None:
    asked, _ = members(1, True)
    on_gpu._ready.cache_clear()
    with pytest.raises(InputError, match=r"no graphics card.*lashwave\[gpu\]"):
        together(asked, FINENESS, beyond=11, gpu=True)


@pytest.mark.skipif(not card(), reason="this machine has no graphics card")
def test_a_card_finds_what_the_cores_find() -> None:
    asked, _ = members(40, True)
    wide = together(asked, FINENESS, beyond=11, times=TIMES, gpu=True)
    exact = together(asked[::7], FINENESS, beyond=11, times=TIMES, exact=True, threads=1)
    np.testing.assert_allclose(wide.place[::7], exact.place, atol=2e-4)
    np.testing.assert_allclose(wide.result[::7, :6], exact.result[:, :6], rtol=1e-3, atol=1e-4)


SIMULATED = """
import numpy as np
from tests.mechanics.test_side_by_side import FINENESS, members
from lashwave.mechanics import on_gpu
from lashwave.mechanics.side_by_side import together
on_gpu.THREADS = on_gpu.RESIDENT = 2
asked = [one._replace(end=1e-5) for one in members(3, True)[0]]
card = together(asked, FINENESS, beyond=11, times=[7e-6], gpu=True)
core = together(asked, FINENESS, beyond=11, times=[7e-6], exact=True, threads=1)
np.testing.assert_allclose(card.place, core.place, atol=1e-5)
np.testing.assert_allclose(card.result[:, :6], core.result[:, :6], rtol=1e-3, atol=1e-4)
"""


def test_the_card_s_source_runs_in_numba_s_simulator() -> None:
    import os

    done = subprocess.run(
        [sys.executable, "-c", SIMULATED], capture_output=True, text=True, check=False,
        env={**os.environ, "NUMBA_ENABLE_CUDASIM": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
