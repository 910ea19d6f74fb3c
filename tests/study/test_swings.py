"""Motions of many lines at once, as one dataset."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.throw import grip, line
from lashwave.mechanics.air import medium
from lashwave.mechanics.law import Law
from lashwave.mechanics.quick import simulate_quickly
from lashwave.quantities import Air, InputError
from lashwave.quantities.constants import TRIAL_GRAVITY
from lashwave.study import swings

TIMES = np.linspace(0.0, 0.3, 7)


def test_lines_and_airs_of_ones_own_move_as_they_do_alone_and_bear_their_units() -> None:
    airs = [Air(temperature=280.0), Air(temperature=300.0)]
    found = swings.simulated(line(), grip(), airs, times=TIMES, nodes=16, exact=True)
    assert found.sizes == {"throw": 2, "time": 7, "node": 16, "axis": 3}
    assert found.peak_speed.attrs["units"] == "m/s" and not found.ill.any()
    chain = swings._chain(line(), 16)
    np.testing.assert_allclose(found.station[0], chain.station)
    assert np.diff(chain.station)[-1] < 0.6 * np.diff(chain.station)[1]
    alone = simulate_quickly(chain, grip(), medium(airs[1]), TRIAL_GRAVITY, Law(), TIMES)
    np.testing.assert_allclose(found.position[1], alone.position, atol=5e-4)
    last = np.linalg.norm(alone.velocity[:, -1], axis=1)
    assert found.peak_speed[1] >= 0.999 * last.max()


def test_what_does_not_fit_together_is_told_in_one_line() -> None:
    with pytest.raises(InputError, match="2 lines beside 3 of others"):
        swings.simulated([line()] * 2, [grip()] * 3, times=TIMES)
    with pytest.raises(InputError, match="increase"):
        swings.simulated(line(), grip(), times=[0.3, 0.1])
    with pytest.raises(InputError, match="held at its far end"):
        swings.simulated(replace(line(), ends="held"), grip(), times=TIMES)
