"""A step that pays is doubled as long as the doubled one pays more."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from lashwave.estimate import levenberg


@pytest.mark.parametrize(("lowest", "taken"), [(1.2, 1.0), (3.0, 2.0), (5.0, 4.0), (90.0, 8.0)])
def test_a_step_goes_on_as_long_as_it_pays(monkeypatch, lowest, taken):
    """Along a parabola: of 1, 2, 4 and 8 times the step, the last before the cost rises again."""
    monkeypatch.setattr(levenberg, "_shortened", lambda _setup, step, _count: step)
    problem = SimpleNamespace(
        setup=None,
        moved=lambda _path, _axes, step: float(step[0]),
        cost=lambda at: (at - lowest) ** 2,
    )
    path = SimpleNamespace(time=np.zeros(3))
    found, cost = levenberg._bolder(
        problem, path, SimpleNamespace(axes=None), np.ones(1), (1.0 - lowest) ** 2
    )
    assert found == taken
    assert cost == (taken - lowest) ** 2
