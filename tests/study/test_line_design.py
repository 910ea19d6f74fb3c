"""Lines within limits, and the search for the fastest: by hand, and on the engine itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.quantities import InputError
from lashwave.study import line_design, one_throw, tapers, throw_family
from lashwave.study.line_design import CORD, HAND, Problem
from lashwave.study.tapers import Stock

MIDDLE = throw_family.MIDDLE
FREE = Stock((2.0, 2.0), (0.0, 0.08))
JOINED = Stock((1.5, 2.5), (0.0, 0.08), sections=(2e-3, 6e-3, 4e-3))


def problem(stock: Stock = FREE, **other) -> Problem:
    return Problem(
        stock, {n: (MIDDLE[n],) * 2 for n in HAND}, {n: (MIDDLE[n],) * 2 for n in CORD}, **other
    )


def test_a_cone_weighs_what_a_cone_weighs():
    # frustum of 2 and 6 mm over 3 m at 900 kg/m3: pi rho L (d^2 + d D + D^2) / 12, cut fine
    x = np.linspace(0.0, 1.0, 2001)
    found = tapers.mass_of(3.0 * x, 6e-3 - 4e-3 * x, 900.0)
    assert found == pytest.approx(np.pi * 900.0 * 3.0 * (4 + 12 + 36) * 1e-6 / 12, rel=1e-6)


def test_sections_follow_their_weights_the_thinnest_last():
    station, diameter = tapers.table_of(JOINED, np.array([0.5, 0.5, 0.25, 0.25]))
    assert station[-1] == 2.0
    # 1 m of 6 mm, 0.5 m of 4 mm, 0.5 m of 2 mm; the middle of each splice stands there
    assert np.interp([0.98, 1.02, 1.48, 1.52], station, diameter) == pytest.approx(
        [6e-3, 4e-3, 4e-3, 2e-3]
    )


def test_a_section_too_short_to_splice_is_left_out():
    station, diameter = tapers.table_of(JOINED, np.array([0.5, 0.5, 0.004, 0.5]))
    assert set(np.round(diameter, 6)) == {6e-3, 2e-3}
    assert station[-1] == 2.0


@pytest.mark.parametrize("stock", [FREE, JOINED])
def test_a_heavy_line_is_made_as_heavy_as_is_allowed(stock):
    rng = np.random.default_rng(1)
    heavy = 0
    for share in rng.random((40, len(stock.names))):
        before = tapers.mass_of(*tapers.table_of(stock, share), 850.0)
        at = tapers.lightened(stock, share, 850.0, 0.03)
        after = tapers.mass_of(*tapers.table_of(stock, at), 850.0)
        heavy += before > 0.03
        assert after <= 0.03 * (1 + 1e-9)
        if before <= 0.03:
            assert np.array_equal(at, share)
        else:
            assert after > 0.9 * 0.03 or stock.sections
        diameter = tapers.table_of(stock, at)[1]
        assert (np.diff(diameter) <= 1e-12).all()
    assert heavy > 10


def test_where_even_the_thinnest_line_is_too_heavy_none_is_made():
    # 2 m of 1 mm at 850 kg/m3 weigh 1.3 g
    assert tapers.lightened(FREE, np.full(7, 0.5), 850.0, 1e-3) is None
    found = line_design.thrown(problem(replace(FREE, mass=(0.0, 1e-3))), np.full(7, 0.5))
    assert found["bad"] == "no line within the limits"
    # and none of a line that is lighter than is wanted, which is not made heavier
    assert line_design.made(problem(replace(FREE, mass=(0.2, 0.4))), np.full(7, 0.5)) is None


def test_the_nearest_taper_of_a_line_of_the_family_is_its_own():
    for ratio, power in ((0.1, 0.9), (0.3, 1.7)):
        line = throw_family.line_of({**MIDDLE, "tip_ratio": ratio, "taper": power})
        assert tapers.nearest_taper(line) == pytest.approx((ratio, power), rel=0.02)


def test_a_line_of_the_family_made_by_hand_throws_as_the_family_does():
    own = throw_family.line_of(MIDDLE)
    cord = {
        "cord_density": MIDDLE["cord_density"],
        "stiffness": MIDDLE["stiffness"],
        "tuft_area": MIDDLE["tuft_area"],
    }
    made = tapers.line_of(own.station, own.diameter, cord, float(own.diameter[-1]))
    ours = one_throw.run(MIDDLE, 40, line=made)["peak_speed"]
    assert ours == pytest.approx(one_throw.run(MIDDLE, 40)["peak_speed"], rel=2e-3)


def test_limits_cost_and_a_wanted_speed_is_met():
    row = {"bad": "", "peak_speed": 200.0, "peak_force": 20.0, "mass": 0.08}
    assert line_design.cost(problem(), row) == pytest.approx(-np.log(200.0))
    passed = line_design.cost(problem(force=10.0), row)
    assert passed == pytest.approx(-np.log(200.0) + line_design.STRICT * np.log(2.0))
    met = line_design.cost(problem(wanted=200.2), row)
    assert met == pytest.approx(0.01)
    assert line_design.cost(problem(wanted=250.0), row) > met
    assert line_design.cost(problem(), {**row, "bad": "no peak"}) == line_design.HOPELESS


def test_the_energy_of_the_hand_limits_the_mass():
    speed = (1.0 - MIDDLE["follow"]) * throw_family.hand_speed(MIDDLE)
    made = line_design.made(problem(energy=1.5), np.array([0.5, 1, 0.9, 0.8, 0.7, 0.6, 0.5]))
    assert made is not None
    assert 0.5 * made.throw["mass"] * speed**2 == pytest.approx(1.5, rel=1e-3)


THICK = np.array([0.5, 1.0, 0.9, 0.8, 0.7, 0.6, 0.5])


def test_the_line_that_was_made_stays_the_same_in_a_heavier_cord():
    case = problem(replace(FREE, mass=(0.0, 0.03)))  # too little for this line as it is asked
    as_thought = line_design.made(case, THICK)
    heavier = line_design.made(case, THICK, {"cord_density": 1.2 * MIDDLE["cord_density"]})
    assert np.array_equal(as_thought.line.diameter, heavier.line.diameter)
    thinner = as_thought.line.diameter[-1] / FREE.reference
    assert as_thought.throw["stiffness"] == pytest.approx(MIDDLE["stiffness"] * thinner)
    assert heavier.throw["mass"] == pytest.approx(1.2 * as_thought.throw["mass"])


def test_a_cone_beside_the_design_has_its_length_mass_and_tip():
    one = line_design.made(problem(), np.array([0.5, 0.6, 0.5, 0.5, 0.4, 0.3, 0.2]))
    cone = line_design.cone_of(problem(), one)
    mass = tapers.mass_of(cone.station, cone.diameter, MIDDLE["cord_density"])
    assert mass == pytest.approx(one.throw["mass"], rel=1e-4)
    assert cone.diameter[-1] == pytest.approx(one.line.diameter[-1])
    assert np.diff(cone.diameter, 2) == pytest.approx(0.0, abs=1e-12)


def test_a_fold_too_sharp_is_thrown_on_finer_links_and_a_limit_passed_is_not_kept(monkeypatch):
    asked = []

    def checked(inputs, links=one_throw.LINKS, line=None):
        asked.append(links)
        bad = "fold sharper than the links: 1.20 rad" if links == one_throw.LINKS else ""
        return {"peak_speed": 200.0, "peak_force": 20.0, "bad": bad}

    monkeypatch.setattr(one_throw, "checked", checked)
    for force, kept in ((20.0, True), (19.0, False), (np.inf, True)):
        found = line_design.thrown(problem(force=force), THICK)
        assert (found["bad"], found["kept"]) == ("", kept)
    assert asked == [one_throw.LINKS, 2 * one_throw.LINKS] * 3


def test_searches_begin_apart_and_scouts_of_a_free_taper_thin_toward_the_tip():
    places = [np.array(p) for p in ([0.0, 0.0], [0.01, 0.0], [1.0, 1.0], [0.5, 0.5])]
    found = line_design._apart(places, [1.0, 2.0, 4.0, 3.0], 2)
    assert [one.tolist() for one in found] == [[0.0, 0.0], [0.5, 0.5]]
    assert (np.diff(line_design._scouts(problem(), 16, 1)[:, 1:], axis=1) <= 0).all()
    assert not (np.diff(line_design._scouts(problem(JOINED), 16, 1)[:, 1:], axis=1) <= 0).all()


def test_a_search_on_the_engine_beats_where_it_began_and_keeps_the_limits():
    case = problem(Stock((2.0, 2.0), (0.0, 0.08), sections=(2e-3, 4e-3, 7e-3)), force=15.0)
    with line_design.thrower(case, 1) as throws:
        first = throws(np.full((1, 4), 0.5))[0]
        found = line_design.sought(case, throws, 48, seed=3)
    assert found.best["cost"] < first["cost"]
    assert found.best["peak_force"] <= 15.0 * 1.01
    assert found.best["mass"] <= 0.08 * (1 + 1e-9)
    assert 40 <= len(found.rows) <= 48  # whole generations
    again = line_design.thrown(case, found.share)
    assert again["peak_speed"] == pytest.approx(found.best["peak_speed"], rel=1e-9)


def test_what_is_not_known_spreads_the_answer_and_the_line_stays_the_one_that_was_made():
    case = replace(problem(), cord={**problem().cord, "drag": (0.8, 1.25)})
    share = np.array([0.5, 0.9, 0.8, 0.6, 0.5, 0.3, 0.2])
    table = line_design.drawn_throws(case, share, 4, 1)
    assert table["drag"].nunique() == 4
    assert table["butt_diameter"].nunique() == 1
    order = table.sort_values("drag")["peak_speed"].to_numpy()
    assert (np.diff(order) < 0).all()  # more drag, slower tip


def test_limits_that_no_throw_meets_are_told():
    case = problem(Stock((2.0, 2.0), (0.0, 1e-3)))
    with line_design.thrower(case, 1) as throws, pytest.raises(InputError, match="no throw"):
        line_design.drawn(case, throws, 3, 0)
