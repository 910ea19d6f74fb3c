"""Numbers as printed: digits after the rule of the GUM, 7.2.6 (JCGM 100:2008): at most two
significant digits of a standard deviation, and the value to the same place."""

from __future__ import annotations

import pytest

from lashwave.answers import register
from lashwave.quantities.answer import Answer
from lashwave.report import numbers


@pytest.mark.parametrize(
    ("value", "sd", "text"),
    [
        # JCGM 100:2008, 7.2.2: 100.02147 g with 0.35 mg; there given as 100.021 47(35) g.
        (100.02147, 0.00035, "100.02147 ± 0.00035"),
        (412.34, 1.83, "412.3 ± 1.8"),
        (1442345.0, 51234.0, "(1.442 ± 0.051) × 10⁶"),
        (412.34, 18.3, "412 ± 18"),
        (41234.0, 183.0, "41234 ± 183"),
        (-0.00123456, 6.2e-6, "−0.0012346 ± 0.0000062"),
        (1.5, None, "1.5000"),
        (1.5, 0.0, "1.5000"),
        (0.0, None, "0"),
    ],
)
def test_digits_follow_the_standard_deviation(value: float, sd: float | None, text: str) -> None:
    assert " ".join(numbers.with_sd(Answer(value, "1", sd)).split()) == text


def test_moments_are_read_in_milliseconds() -> None:
    moment = Answer(0.78449032, "s", 1.3e-5, 0.78446, 0.78452)
    assert numbers.with_sd(moment).split() == ["784.490", "±", "0.013", "ms"]
    row = numbers.row("peak_tip_speed_time", moment, 120)
    assert (row.value, row.sd, row.interval, row.unit) == (
        "784.490", "0.013", "784.460 to 784.520", "ms")  # fmt: skip


def test_a_lopsided_interval_comes_first() -> None:
    value, detail = numbers.headline(Answer(1.05, "1", 0.87, 0.26, 3.15))
    assert value == "0.26 to 3.15" and "median 1.05 ± 0.87" in detail
    assert numbers.headline(Answer(1.0, "J", 0.5, 0.0, 2.0))[0].startswith("1.00 ± 0.50")


def test_units_are_raised_and_do_not_break() -> None:
    assert numbers.unit("m s-1").split() == ["m", "s⁻¹"]
    assert " " not in numbers.unit("m s-1")
    assert numbers.unit("N m^2").split() == ["N", "m²"]
    assert numbers.unit("N m2").split() == ["N", "m²"]
    assert numbers.unit("kg/m") == "kg/m"
    assert numbers.unit("1") == ""


def test_a_share_is_never_rounded_to_certainty() -> None:
    assert numbers.percent(0.9999) == "over 99.9 %"
    assert numbers.percent(0.0001) == "under 0.1 %"
    assert numbers.percent(1.0) == "100 %"
    assert numbers.percent(0.874) == "87.4 %"


def test_an_answer_without_value_gives_its_reason() -> None:
    absent = Answer(None, "s", probability=0.2, reason="the tip stays below it")
    assert numbers.with_sd(absent) == "the tip stays below it"
    row = numbers.row("sonic_time", absent, 120)
    assert row.missing
    assert row.value == "the tip stays below it"
    assert row.probability == "20 %"


def test_draws_cannot_tell_certainty() -> None:
    # The rule of three: of 120 draws all or none say over 1 - 3/120 or under 3/120 (Hanley and
    # Lippman-Hand, J. Am. Med. Assoc. 249 (1983) 1743; from memory).
    assert numbers.chance(0.975, 120) == "> 97 %"
    assert numbers.chance(1.0, 120) == "> 97 %"
    assert numbers.chance(0.025, 120) == "< 3 %"
    assert numbers.chance(0.5, 120) == "50 %"
    sure = Answer(0.975, "1")
    assert numbers.row("probability_a_before_b", sure, 120).value == "> 97 %"
    happened = Answer(0.4, "s", 1e-5, 0.39, 0.41, probability=0.975)
    assert numbers.row("sonic_time", happened, 120).probability == "> 97 %"


def test_every_answer_of_the_register_has_a_meaning_and_a_group() -> None:
    names = [e.name for e in register.entries() if not e.over]
    assert len(names) >= 22  # as many as docs/trial-folder.md promises
    groups = dict(numbers.groups({name: Answer(1.0, "1", 0.1) for name in names}, 120))
    assert numbers.OTHER not in groups
    rows = [row for group in groups.values() for row in group]
    assert len(rows) == len(names)
    assert all(row.meaning for row in rows)
