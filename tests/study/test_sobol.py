"""Indices of functions whose indices are known, within their stated intervals.

Sources: Ishigami and Homma (1990) and the g-function of Sobol' with their closed forms, as in
Saltelli et al., Global Sensitivity Analysis: The Primer (2008); the closed forms are derived again
here.
"""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.quantities import InputError
from lashwave.study.sobol import InputSpread, indices, points, slope_points, slopes

A, B = 7.0, 0.1
G = np.array([0.0, 1.0, 4.5, 9.0, 99.0])


def ishigami(x):  # type: ignore[no-untyped-def]
    return np.sin(x[:, 0]) + A * np.sin(x[:, 1]) ** 2 + B * x[:, 2] ** 4 * np.sin(x[:, 0])


def ishigami_truth() -> tuple[np.ndarray, np.ndarray]:
    first = 0.5 * (1 + B * np.pi**4 / 5) ** 2
    second = A**2 / 8
    mixed = B**2 * np.pi**8 * (1 / 18 - 1 / 50)
    whole = first + second + mixed
    return np.array([first, second, 0]) / whole, np.array([first + mixed, second, mixed]) / whole


def g_function(x):  # type: ignore[no-untyped-def]
    return np.prod((np.abs(4 * x - 2) + G) / (1 + G), axis=1)


def g_truth() -> tuple[np.ndarray, np.ndarray]:
    part = 1 / (3 * (1 + G) ** 2)
    whole = np.prod(1 + part) - 1
    others = np.prod(1 + part) / (1 + part)
    return part / whole, part * others / whole


CASES = {
    "Ishigami": (ishigami, ishigami_truth, (-np.pi, np.pi), 3),
    "g-function": (g_function, g_truth, (0.0, 1.0), 5),
}


@pytest.mark.parametrize("name", CASES)
def test_known_indices_lie_within_their_intervals(name) -> None:
    function, truth, ends, count = CASES[name]
    spread = InputSpread.of({f"x{j}": ends for j in range(count)})
    found = indices(spread, function(points(spread, 4096, seed=3)), seed=3).sort_values("input")
    first, total = truth()
    assert np.all(np.abs(found["first"] - first) <= found["first_half"] + 1e-4)
    assert np.all(np.abs(found["total"] - total) <= found["total_half"] + 1e-4)
    assert found["total_half"].max() < 0.05


def test_published_numbers_of_ishigami() -> None:
    first, total = ishigami_truth()
    assert np.allclose(first, [0.3139, 0.4424, 0.0], atol=1e-4)
    assert np.allclose(total, [0.5576, 0.4424, 0.2437], atol=1e-4)


def test_fixed_inputs_stay_and_bad_throws_take_their_points_with_them() -> None:
    spread = InputSpread.of({"x0": (-np.pi, np.pi), "x1": (0.5, 0.5), "x2": (-np.pi, np.pi)})
    inputs = points(spread, 1024, seed=1)
    assert (inputs[:, 1] == 0.5).all() and spread.blocks == 4
    values = ishigami(inputs)
    whole = indices(spread, values)
    values[::41] = np.nan
    part = indices(spread, values)
    assert list(part["input"]) == ["x0", "x2"]
    assert np.allclose(part["total"], whole["total"], atol=0.12)
    values[::3] = np.nan
    with pytest.raises(InputError, match="hold a bad throw"):
        indices(spread, values)


def test_groups_are_judged_as_one() -> None:
    names = {"x0": "one", "x1": "other", "x2": "one"}
    spread = InputSpread.of(dict.fromkeys(names, (-np.pi, np.pi)), names)
    found = indices(spread, ishigami(points(spread, 2048, seed=3)), seed=3)
    second = ishigami_truth()[0][1]
    by_name = found.set_index("input")
    assert by_name["first"]["other"] == pytest.approx(second, abs=0.03)
    assert by_name["total"]["one"] == pytest.approx(1 - second, abs=0.03)


def test_slopes_at_the_middle() -> None:
    spread = InputSpread.of({"x0": (0.0, 2.0), "x1": (3.0, 3.0), "x2": (1.0, 2.0)})
    at = slope_points(spread)
    found = slopes(spread, at[:, 0] ** 2 + 5.0 * at[:, 2] + at[:, 1])
    assert list(found["input"]) == ["x0", "x2"]
    assert np.allclose(found["slope"], [2.0, 5.0]) and np.allclose(
        found["over_half_range"], [2, 2.5]
    )


@pytest.mark.parametrize("base", [0, 3, 100])
def test_a_base_that_is_no_power_of_two_is_refused(base) -> None:
    with pytest.raises(InputError, match="no power of two"):
        points(InputSpread.of({"x": (0, 1), "y": (0, 1)}), base)


def test_one_input_alone_needs_no_indices() -> None:
    with pytest.raises(InputError, match="fewer than two"):
        points(InputSpread.of({"x": (0, 1), "y": (1, 1)}), 4)
