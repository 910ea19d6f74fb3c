"""The pieces of the fusion, each against what it must be by definition."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import cholesky_banded, solve_triangular

from lashwave.estimate import Options, set_up
from lashwave.estimate.blocks import backward, factor_in_place, forward
from lashwave.estimate.fusion import finer
from lashwave.estimate.normal import Factor, Normal, draw, factor, solve, surest_factor
from lashwave.estimate.sighting_rows import tail_weights, time_weights
from lashwave.estimate.time_grid import march
from lashwave.quantities.errors import NotConvergedError
from tests.workbench.small_throw import small_throw


def test_a_grid_keeps_to_the_wanted_step_and_grows_gently():
    fine = np.linspace(0.0, 0.1, 2001)
    step = np.where(np.abs(fine - 0.05) < 2e-3, 2e-5, 2e-3)
    grid = march(0.0, 0.1, fine, step, 0.12)
    h = np.diff(grid)
    assert grid[0] == 0.0 and grid[-1] == 0.1
    assert h.max() <= 2e-3 * 1.01
    assert h[np.abs(grid[:-1] - 0.05) < 1.5e-3].max() <= 2e-5 * 1.05
    # The growth is bounded between the fine times, which lie further apart than the finest steps.
    assert (h[1:] / h[:-1]).max() < 1.25 and (h[:-1] / h[1:]).max() < 1.25


def test_the_quadratic_in_time_is_exact_for_a_parabola():
    grid = np.array([0.0, 0.1, 0.25, 0.3, 0.5])
    at = np.array([0.02, 0.12, 0.29, 0.48])
    k, w, rate = time_weights(grid, at)
    around = np.stack([grid[k - 1], grid[k], grid[k + 1]], axis=-1)
    value = 3.0 - 2.0 * around + 5.0 * around**2
    assert np.allclose((w * value).sum(-1), 3.0 - 2.0 * at + 5.0 * at**2, atol=1e-13)
    assert np.allclose((rate * value).sum(-1), -2.0 + 10.0 * at, atol=1e-11)


def _equations(
    rng: np.random.Generator, size: int, width: int, shared: int
) -> tuple[Normal, np.ndarray]:
    """Rows that touch three times running, with a border, and the same dense."""
    rows = np.zeros((3 * size, size + shared))
    for i in range(3 * size):
        start = min(i // width * (width // 3), size - width)
        rows[i, start : start + width] = rng.normal(size=width)
        rows[i, size:] = 0.1 * rng.normal(size=shared)
    dense = rows.T @ rows + 0.1 * np.eye(size + shared)
    band = np.zeros((width, size), order="F")
    for d in range(width):
        band[d, : size - d] = np.diagonal(dense[:size, :size], -d)
    empty = np.empty(0)
    normal = Normal(
        band, dense[:size, size:], dense[size:, size:], empty, 0.0, empty, empty, None, width // 3,  # type: ignore[arg-type]
        empty,
    )  # fmt: skip
    return normal, dense


@pytest.fixture
def system() -> tuple[Normal, np.ndarray, Factor]:
    normal, dense = _equations(np.random.default_rng(3), 40, 6, 3)
    return normal, dense, factor(normal, 0.0)


def test_the_bordered_solve_agrees_with_a_dense_one(system):
    _, dense, f = system
    right = np.random.default_rng(4).normal(size=dense.shape[0])
    assert np.allclose(solve(f, right), np.linalg.solve(dense, right), rtol=1e-9, atol=1e-10)


def test_equations_that_rounding_made_indefinite_are_damped(system):
    normal, _, _ = system
    band = normal.band.copy(order="F")
    band[0] -= np.linalg.eigvalsh(_full(band)).min() + 1e-8  # the least eigenvalue at -1e-8
    shifted = replace(normal, band=band)
    with pytest.raises(np.linalg.LinAlgError):
        factor(shifted, 1e-9, hold_shared=True)
    times = 0.3 + 0.01 * np.arange(20)
    assert np.isfinite(surest_factor(shifted, (1e-9, 1e-3), times).band).all()
    with pytest.raises(NotConvergedError, match="not positive definite"):
        surest_factor(shifted, (1e-9,), times)


def test_where_no_damping_helps_the_time_is_said(system):
    normal, _, _ = system
    band = normal.band.copy(order="F")
    band[0, 14] = -1.0  # two unknowns a time: the eighth of the times
    with pytest.raises(NotConvergedError, match=r"from 0\.370 s on nothing holds") as told:
        surest_factor(replace(normal, band=band), (1e-9, 1e-3), 0.3 + 0.01 * np.arange(20))
    assert "\n" not in str(told.value)


def _full(band: np.ndarray) -> np.ndarray:
    size = band.shape[1]
    whole = sum(np.diag(band[d, : size - d], -d) for d in range(min(band.shape[0], size)))
    return np.asarray(whole + np.tril(whole, -1).T)


def test_the_band_factor_agrees_with_a_general_library(system):
    normal, _, f = system
    expected = cholesky_banded(normal.band, lower=True)
    assert np.allclose(f.band, expected, atol=1e-10)


def test_draws_have_the_covariance_of_the_inverse(system):
    _, dense, f = system
    many = draw(f, 40_000, np.random.default_rng(5))
    covariance = np.linalg.inv(dense)
    scale = np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    # A correlation from n draws has a standard deviation of 1/sqrt(n) at most: five of them.
    assert np.abs((np.cov(many) - covariance) / scale).max() < 5 / np.sqrt(40_000) * 1.5


@pytest.mark.parametrize(("times", "hand"), [(9, 0), (9, 3), (2, 0), (4, 3)])
def test_blocks_factor_and_solve_as_a_general_library_does(times, hand):
    """`hand` unknowns of a time are tied to those of the third time after it."""
    n = 5
    random = np.random.default_rng(times + hand)
    band = np.asfortranarray(0.1 * random.standard_normal((3 * n + hand, n * times)))
    band[0] += 2.0
    down, column = np.indices(band.shape)
    row = column + down
    apart = row // n - column // n
    band[(apart > 3) | ((apart == 3) & (row % n >= hand)) | (row >= n * times)] = 0.0
    right = random.standard_normal((n * times, 3))
    whole = np.linalg.cholesky(_full(band))
    assert factor_in_place(band, n) == 0
    found = np.tril(_full(band))
    np.testing.assert_allclose(found, whole, rtol=0, atol=1e-14)
    for solved, back in ((forward(band, right, n), 0), (backward(band, right, n), 1)):
        expected = solve_triangular(whole, right, lower=True, trans=back)
        np.testing.assert_allclose(solved, expected, rtol=0, atol=1e-14)


def test_the_first_column_that_is_not_definite_is_told():
    n = 3
    band = np.zeros((3 * n, 5 * n), order="F")
    band[0] = 1.0
    band[0, 10] = -1.0
    assert factor_in_place(band, n) == 11


def test_weights_are_one_in_the_core_and_fall_in_the_tail():
    residual = np.array([[1.0, 1.0, 1.0], [2.0, 2.0, 1.0], [30.0, 0.0, 0.0], [np.nan] * 3])
    weight = tail_weights(residual, 4.0)
    assert weight[0] == weight[1] == weight[3] == 1.0
    assert weight[2] < 0.02


def test_the_second_search_cuts_the_same_line_into_more_and_shorter_links():
    setup = set_up(small_throw()[0], Options(most_links=24))
    own = finer(setup)
    assert 1.1 < own.chain.links / setup.chain.links < 1.4
    assert own.chain.length[1:].max() < setup.chain.length[1:].max()
    assert own.chain.station[[0, -1]] == pytest.approx(setup.chain.station[[0, -1]])
    assert own.node_mass.sum() == pytest.approx(setup.node_mass.sum(), rel=1e-9)
    assert own.shared.names == setup.shared.names and own.options.draws == setup.options.draws
