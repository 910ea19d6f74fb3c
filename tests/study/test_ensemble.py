"""Throws by the thousand, on a few: each once, the same whoever computes it, the bad ones named."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.mechanics.ledger import greatest_mean
from lashwave.mechanics.simulation import SimulationError, simulate
from lashwave.quantities.constants import TRIAL_GRAVITY
from lashwave.study import ensemble, one_throw, throw_family

LINKS = 30


def throw_of(seed: int = 4) -> dict[str, float]:
    return dict(zip(throw_family.NAMES, map(float, ensemble.draw(1, seed)[0]), strict=True))


def test_draws_lie_in_their_ranges_and_a_range_may_be_narrowed() -> None:
    inputs = ensemble.draw(64, 1, {"length": (2.0, 2.1)})
    for j, item in enumerate(throw_family.INPUTS):
        low, high = (2.0, 2.1) if item.name == "length" else (item.low, item.high)
        assert low <= inputs[:, j].min() < inputs[:, j].max() <= high
    assert np.array_equal(ensemble.draw(20, 1, {"length": (2.0, 2.1)}), inputs[:20])


def test_every_line_meets_every_hand() -> None:
    inputs, line, hand = ensemble.crossed(3, 4, 0)
    whose = np.array([item.whose for item in throw_family.INPUTS])
    assert len(np.unique(inputs[:, whose == "line"], axis=0)) == 3
    assert len(np.unique(inputs[:, whose == "hand"], axis=0)) == 4
    assert len(np.unique(inputs, axis=0)) == 12
    assert len(set(zip(line.tolist(), hand.tolist(), strict=True))) == 12


def test_a_throw_goes_where_the_careful_engine_goes() -> None:
    throw = throw_of()
    found = one_throw.run(throw, LINKS)
    chain = throw_family.chain_of(throw, LINKS)
    grip = throw_family.grip_of(throw, 1.4)
    when = found["crack_time"]
    times = np.concatenate([[0.0], when + np.linspace(-2e-3, 2e-3, 401)])
    motion = simulate(
        chain.with_point_masses(), grip, throw_family.air_of(throw), TRIAL_GRAVITY,
        throw_family.law_of(throw), times, *throw_family.start_of(throw, chain), rtol=1e-6,
    )  # fmt: skip
    speed = np.linalg.norm(motion.velocity[1:, -1], axis=1)
    top = int(speed.argmax())
    assert speed[top] == pytest.approx(found["peak_speed"], rel=5e-3)
    assert times[1:][top] == pytest.approx(when, abs=3e-4)
    assert motion.position[1:, -1, 0][top] == pytest.approx(found["crack_ahead"], abs=5e-3)
    assert found["peak_speed_100us"] <= found["peak_speed"]
    assert found["energy_open"] < one_throw.OPEN


def test_rows_are_the_same_in_lots_in_processes_and_alone() -> None:
    inputs = ensemble.draw(20, 4)
    told = []
    table = ensemble.run(
        inputs, processes=2, links=LINKS, progress=lambda text, share: told.append((text, share))
    )
    assert list(table["throw"]) == list(range(20))
    assert told[-1] == ("20 of 20 throws, 0 s left", 1.0)
    part = ensemble.run(inputs, todo=[2, 5], processes=1, links=LINKS)
    throw = dict(zip(throw_family.NAMES, map(float, inputs[5]), strict=True))
    alone = throw | one_throw.checked(throw, LINKS)
    for name in (*throw_family.NAMES, "bad", "arrived"):
        assert part[name][1] == table[name][5] == alone[name]
    # Single precision: what is computed beside a throw changes its last digits.
    for name in ("peak_speed", "peak_speed_100us", "crack_time", "peak_force", "end_energy"):
        assert part[name][1] == pytest.approx(table[name][5], rel=2e-4)
        assert alone[name] == pytest.approx(table[name][5], rel=2e-4)


def test_a_throw_that_cannot_be_trusted_says_why(monkeypatch) -> None:
    monkeypatch.setattr(one_throw, "OPEN", 1e-9)
    monkeypatch.setattr(one_throw, "SHARP", 1e-3)
    bad = one_throw.checked(throw_of(), LINKS)["bad"]
    assert "account of energy open by" in bad and "fold sharper than the links" in bad

    def fails(*_args):  # type: ignore[no-untyped-def]
        raise SimulationError("the links could not be held")

    monkeypatch.setattr(one_throw, "run", fails)
    many = one_throw.many([throw_of()], LINKS)  # open by more than 1e-9: asked again by itself
    assert many[0]["bad"] == "the links could not be held"
    found = one_throw.checked(throw_of(), LINKS)
    assert found["bad"] == "the links could not be held" and np.isnan(found["peak_speed"])


def test_the_greatest_mean_of_a_record() -> None:
    time = np.linspace(0.0, 1.0, 1001)
    value = np.where(np.abs(time - 0.5) < 0.05, 2.0, 1.0)
    assert greatest_mean(time, value, 0, 1001, 0.05) == pytest.approx(2.0, rel=1e-6)
    assert greatest_mean(time, value, 0, 1001, 0.2) == pytest.approx(1.5, rel=1e-2)
    assert greatest_mean(time, value, 600, 1001, 0.2) == pytest.approx(1.0, rel=1e-6)
    assert np.isnan(greatest_mean(time, value, 0, 1001, 1.5))
