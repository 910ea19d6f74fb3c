"""The groups span all that has no dimension, and change with none of the units."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.linalg import null_space

from lashwave.mechanics.air import Medium
from lashwave.study import ensemble, groups, throw_family


def test_the_groups_span_the_null_space_of_the_dimensions() -> None:
    dimensions = np.array(list(groups.QUANTITIES.values()), dtype=float).T
    powers = groups.power_matrix()
    assert not (dimensions @ powers).any()
    space = null_space(dimensions)
    assert space.shape[1] == powers.shape[1] == len(groups.QUANTITIES) - 3
    assert np.linalg.matrix_rank(powers) == powers.shape[1]
    left = powers - space @ (space.T @ powers)
    assert np.abs(left).max() < 1e-12


def test_a_throw_scaled_with_its_air_and_gravity_keeps_its_groups(monkeypatch) -> None:
    throw = pd.DataFrame(ensemble.draw(1, 3), columns=throw_family.NAMES)
    row = throw.iloc[0].to_dict()
    kilogram, metre, second = 3.0, 1.7, 0.6
    air = throw_family.air_of(row)
    other = Medium(
        air.density * kilogram / metre**3,
        air.viscosity * kilogram / metre / second,
        air.sound_speed * metre / second,
    )
    scaled = throw.copy()
    for name, factor in {
        "length": metre, "mass": kilogram, "cord_density": kilogram / metre**3,
        "stiffness": metre**4 / second**2, "damping": second, "tuft_area": metre**2,
        "loop": metre, "amplitude": metre, "time": second,
    }.items():  # fmt: skip
        scaled[name] *= factor
    before = groups.group_table(throw)
    monkeypatch.setattr(throw_family, "air_of", lambda _row: other)
    after = groups.group_table(scaled)
    shift = after - before
    # Gravity alone was left as it is.
    assert np.isclose(shift["weight"][0], 2 * np.log(second) - np.log(metre))
    assert np.abs(shift.drop(columns="weight").to_numpy()).max() < 1e-12


def test_the_group_of_drag_holds_the_scale_of_the_law() -> None:
    throws = pd.DataFrame(ensemble.draw(2, 3), columns=throw_family.NAMES)
    throws.loc[1] = throws.loc[0]
    throws.loc[1, "drag"] *= 1.1
    table = groups.group_table(throws)
    assert np.isclose(table["drag"][1] - table["drag"][0], np.log(1.1))
    assert np.allclose(table.drop(columns="drag").diff().iloc[1], 0.0)
