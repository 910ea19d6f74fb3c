"""Power against printed tables, offers by hand, the next throw by hand."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.quantities import InputError
from lashwave.study import plan

# Cohen, A power primer, Psychological Bulletin 112 (1992) 155, table 2: throws of each group for a
# power of 0.80, two-sided test of two means; typed, not computed. level: (0.2, 0.5, 0.8) -> n
COHEN = {0.01: (586, 95, 38), 0.05: (393, 64, 26), 0.10: (310, 50, 20)}


@pytest.mark.parametrize("level", COHEN)
def test_throws_needed_are_those_of_cohens_table(level):
    for effect, printed in zip((0.2, 0.5, 0.8), COHEN[level], strict=True):
        # the table was made by an approximation, and is off by one here and there
        assert abs(plan.throws_needed(effect, level) - printed) <= 1


def test_at_the_smallest_effect_the_power_is_the_wanted_one():
    for n, m in ((4, 4), (20, 20), (6, 17)):
        assert plan.power(plan.smallest_effect(n, m), n, m) == pytest.approx(0.8, abs=1e-6)


def test_power_is_the_share_of_drawn_throws_in_which_the_test_finds_the_difference():
    from scipy.stats import ttest_ind

    rng = np.random.default_rng(0)
    a, b = rng.normal(0.0, 1.0, (4000, 9)), rng.normal(1.2, 1.0, (4000, 6))
    share = float((ttest_ind(a, b, axis=1).pvalue < 0.05).mean())
    assert plan.power(1.2, 9, 6) == pytest.approx(share, abs=4 * np.sqrt(0.25 / 4000))


def test_without_a_difference_the_power_is_the_level():
    assert plan.power(1e-9, 10) == pytest.approx(0.05)


def test_a_difference_that_drowns_needs_more_throws_than_anyone_makes():
    assert plan.throws_needed(1e-4) is None


def test_offers_by_hand():
    # budget 100, a throw costs 5: 10 throws of the dear camera, 16 of the cheap one
    found = plan.offers({"dear": 3.0, "cheap": 4.0, "out": 1.0},
                        {"dear": 50.0, "cheap": 20.0, "out": 200.0}, 100.0, 5.0, 4.0)  # fmt: skip
    assert [(o.name, o.throws) for o in found] == [("cheap", 16), ("dear", 10)]
    dear = found[1]
    assert dear.spread == pytest.approx(5.0)  # 3, 4, 5
    assert dear.mean_sd == pytest.approx(5.0 / np.sqrt(10))
    assert dear.effect == pytest.approx(5.0 * plan.smallest_effect(5, 5))


def test_the_best_offer_may_be_the_dear_one_and_throws_are_no_more_than_anyone_makes():
    sds, prices = {"cheap": 40.0, "dear": 1.0}, {"cheap": 20.0, "dear": 50.0}
    found = plan.offers(sds, prices, 100.0, 5.0, 4.0)
    assert [(o.name, o.throws) for o in found] == [("dear", 10), ("cheap", 16)]
    found = plan.offers(sds, prices, 100.0, 5.0, 4.0, most=12)
    assert [(o.name, o.throws) for o in found] == [("dear", 10), ("cheap", 12)]


def test_one_throw_shows_no_difference():
    (offer,) = plan.offers({"a": 1.0}, {"a": 0.0}, 1.0, 1.0, 0.0)
    assert offer.throws == 1 and offer.effect is None
    with pytest.raises(InputError, match="no spread"):
        plan.smallest_effect(1, 5)


def test_the_next_throw_goes_to_the_line_that_was_thrown_less():
    rng = np.random.default_rng(1)
    values = {"a": list(rng.normal(100, 2, 12)), "b": list(rng.normal(90, 2, 4))}
    sds = {"a": [1.0] * 12, "b": [1.0] * 4}
    found = plan.next_throw(values, sds)
    assert found.line == "b"
    spread = found.spread["a"]
    assert spread == found.spread["b"]  # pooled: they differ no more than chance
    assert found.now == pytest.approx(spread * np.sqrt(1 / 12 + 1 / 4))
    assert found.after["b"] == pytest.approx(spread * np.sqrt(1 / 12 + 1 / 5))
    assert found.by_instruments == pytest.approx(1.0 / spread**2)


def test_a_line_that_scatters_far_more_is_thrown_though_it_was_thrown_oftener():
    values = {"wild": [80.0, 120, 60, 140, 95, 105, 70, 130], "calm": [90.0, 90.1, 89.9, 90.05, 90]}
    found = plan.next_throw(values, {k: [0.1] * len(v) for k, v in values.items()})
    assert found.line == "wild"
    assert found.spread["wild"] > 100 * found.spread["calm"]
