"""Variance components against published and independent figures, and answers that are missing."""

import numpy as np
import pytest
from scipy import stats

from lashwave.quantities.answer import Answer
from lashwave.study.repeatability import Outcome, compared, variance_components
from tests.published.record import recalled

DAVIES = recalled("Davies (1947), table 6.1, as Box and Tiao (1973) print it")

DYES = np.array(
    [
        [1545, 1440, 1440, 1520, 1580],
        [1540, 1555, 1490, 1560, 1495],
        [1595, 1550, 1605, 1510, 1560],
        [1445, 1440, 1595, 1465, 1545],
        [1595, 1630, 1515, 1635, 1625],
        [1520, 1455, 1450, 1480, 1445],
    ],
    dtype=float,
)
"""Yield of dyestuff, six batches: Davies, Statistical Methods in Research and Production (1947),
table 6.1, as Box and Tiao (1973) print it. From memory; so are the published deviations 42.00
between batches and 49.51 within, which the numbers give."""
BATCHES = np.repeat(np.arange(6), 5)


def test_the_dyestuff_batches(check):
    found = variance_components(DYES.ravel(), BATCHES.tolist())
    check("dyestuff batches, deviation within", found.within.sd, 49.51, DAVIES, abs=0.01)
    check("dyestuff batches, deviation between", found.between.sd, 42.00, DAVIES, abs=0.01)
    assert (found.groups, found.trials) == (6, 30)


def test_the_f_test_is_that_of_a_reference_library():
    random = np.random.default_rng(3)
    sizes = [2, 5, 3, 7]
    parts = [random.normal(i, 1.0, n) for i, n in enumerate(sizes)]
    groups = [i for i, n in enumerate(sizes) for _ in range(n)]
    found = variance_components(np.concatenate(parts), groups)
    assert found.p == pytest.approx(stats.f_oneway(*parts).pvalue, rel=1e-9)
    pooled = sum(((p - p.mean()) ** 2).sum() for p in parts) / (sum(sizes) - 4)
    assert found.within.sd == pytest.approx(np.sqrt(pooled))


def test_variances_are_right_on_average_and_intervals_hold_them_as_often_as_stated():
    """Unequal groups: the moments are unbiased (Searle, Casella and McCulloch, section 3.6); the
    count of intervals must lie in its 99.9 % binomial band, of Williams' at its lower end at least.
    """
    random = np.random.default_rng(11)
    sizes, within, between = [3, 5, 4, 6, 3, 5], 1.0, 1.5
    groups = np.repeat(np.arange(6), sizes)
    runs, square, inside = 600, [], np.zeros(2)
    for _ in range(runs):
        values = random.normal(0, between, 6)[groups] + random.normal(0, within, groups.size)
        found = variance_components(values, groups.tolist())
        square.append([found.within.sd**2, found.between.sd**2])
        for i, (part, true) in enumerate(((found.within, within), (found.between, between))):
            inside[i] += part.low95 <= true <= part.high95
    mean, error = np.mean(square, axis=0), np.std(square, axis=0) / np.sqrt(runs)
    # A negative variance is cut at 0; at this ratio that is rare.
    assert np.all(np.abs(mean - [within**2, between**2]) < 3.3 * error)
    low, high = stats.binom.interval(0.999, runs, 0.95)
    assert low <= inside[0] <= high
    assert low <= inside[1]


def outcome(trial, specimen, thrower, peak, sonic=0.5):
    reason = None if sonic is not None else "sonic with a probability of 0.10 only"
    answers = {
        "peak_tip_speed": Answer(peak, "m s-1", 2.0),
        "sonic_time": Answer(sonic, "s", 1e-4 if sonic is not None else None, reason=reason),
    }
    return Outcome(trial, specimen, thrower, answers)


def test_missing_answers_are_counted_and_say_why():
    outcomes = [
        outcome("a", "lash A", "arm 1", 400.0),
        outcome("b", "lash A", "arm 1", 410.0, None),
        outcome("c", "lash B", "arm 1", 500.0),
        outcome("d", "lash B", "arm 2", 506.0),
        Outcome("e", "lash B", "arm 2", {}),
    ]
    speed, sonic = compared(outcomes)
    assert (speed.present, len(speed.values)) == (4, 5)
    assert speed.values[4] is None and "not among" in speed.reasons[4]
    assert speed.mean == pytest.approx(454.0)
    assert speed.stated == pytest.approx(2.0)
    assert sonic.values[1] is None and "probability" in sonic.reasons[1]
    assert sonic.present == 3
    # Repeatability: only a and b share specimen and thrower.
    assert speed.repeatability.sd == pytest.approx(np.sqrt(50.0))
    # Throwers: d against c alone, 6 apart: (6^2 / 2 - 50) < 0 counts as none.
    assert speed.throwers.groups == 2 and speed.throwers.between.sd == 0.0
    assert speed.specimens.between.sd > 50.0


def test_too_little_to_say_a_spread():
    one = compared([outcome("a", "lash A", None, 400.0)])[0]
    assert one.overall.sd is None and one.overall.reason == "under two answers"
    two = compared([outcome("a", "lash A", None, 400.0), outcome("b", "lash B", None, 410.0)])[0]
    assert two.overall.sd == pytest.approx(np.sqrt(50.0))
    assert two.specimens.within.sd is None and "no two trials" in two.specimens.within.reason
    assert two.throwers.between.sd is None and "thrower" in two.throwers.between.reason
    same = compared([outcome(n, "lash A", "arm 1", 400.0) for n in "abc"])[0]
    assert same.repeatability.sd == 0.0
    assert same.specimens.between.reason == "one group only"


def test_specimens_and_throwers_that_cannot_be_told_apart():
    pairs = [("A", "1"), ("A", "1"), ("B", "2")]
    mixed = [outcome(str(i), s, t, 400.0 + i) for i, (s, t) in enumerate(pairs)]
    row = compared(mixed)[0]
    assert row.specimens.between.sd is None and "another factor" in row.throwers.between.reason
    assert row.repeatability.sd == pytest.approx(np.sqrt(0.5))
    told = compared([*mixed, outcome("x", "A", "2", 401.0)])[0]
    assert told.specimens.between.sd is not None and told.throwers.between.sd is not None
    with pytest.raises(ValueError, match="groups"):
        variance_components(np.zeros(3), ["a"])


def crossed(random, cells, between, within):
    """Values with two random factors; cells (S, T) counts throws."""
    first = random.normal(0, between[0], cells.shape[0])
    second = random.normal(0, between[1], cells.shape[1])
    rows = [(i, j) for i in range(cells.shape[0]) for j in range(cells.shape[1])
            for _ in range(cells[i, j])]  # fmt: skip
    i, j = np.array(rows).T
    return first[i] + second[j] + random.normal(0, within, i.size), i.tolist(), j.tolist()


def test_two_crossed_factors_of_equal_cells():
    """(MS of a factor - MS within cells) / (n b): Searle, Casella and McCulloch, section 4.5."""
    values, first, second = crossed(
        np.random.default_rng(7), np.full((3, 4), 2), (2.0, 1.0), 0.5
    )  # fmt: skip
    table = values.reshape(3, 4, 2)
    error = ((table - table.mean(axis=2, keepdims=True)) ** 2).sum() / 12
    means = table.mean(axis=(1, 2))
    closed = (8 * ((means - means.mean()) ** 2).sum() / 2 - error) / 8
    found = variance_components(values, first, second)
    assert found.within.sd == pytest.approx(np.sqrt(error))
    assert found.between.sd == pytest.approx(np.sqrt(closed))


def test_two_crossed_factors_of_unequal_cells_are_right_on_average():
    random = np.random.default_rng(8)
    cells = np.array([[2, 1, 0, 3], [1, 2, 2, 1], [0, 3, 1, 1], [2, 0, 2, 2], [1, 1, 3, 0]])
    between, runs = (2.0, 1.5), 500
    square = []
    for _ in range(runs):
        values, first, second = crossed(random, cells, between, 0.5)
        parts = (
            variance_components(values, first, second),
            variance_components(values, second, first),
        )
        square.append([part.between.sd**2 for part in parts])
    error = np.std(square, axis=0) / np.sqrt(runs)
    assert np.all(np.abs(np.mean(square, axis=0) - np.square(between)) < 3.3 * error)
