"""The engine's motion behind a slider: fitted to throws that were run, judged by others."""

from __future__ import annotations

import numpy as np
import pytest

from lashwave.study import one_throw, throw_family, what_if


def test_places_reach_from_the_slowest_to_the_fastest_hand() -> None:
    ends = [what_if.throw_at(np.full(5, x)) for x in (-1.0, 0.0, 1.0)]
    speeds = [throw_family.hand_speed(one) for one in ends]
    assert speeds[0] == pytest.approx(35 / 16 * 0.8 / 0.28)
    assert speeds[2] == pytest.approx(35 / 16 * 1.3 / 0.18)
    assert speeds[1] == pytest.approx((speeds[0] * speeds[2]) ** 0.5)
    assert [one["taper"] for one in ends] == pytest.approx([0.8, 1.4, 2.0])
    assert ends[0]["length"] == pytest.approx(1.5) and ends[2]["mass"] == pytest.approx(0.15)
    assert {one["loop"] for one in ends} == {throw_family.MIDDLE["loop"]}


def test_the_directions_are_those_of_the_throw_as_it_begins_and_as_it_cracks() -> None:
    """A straight arm, a half circle, an arm that points back; then the fold is at the tip."""
    throw = what_if.throw_at(np.zeros(5))
    found = what_if.motion_of(throw, 60)
    assert found["bad"] == "" and found["direction"].shape == (what_if.MOMENTS, what_if.PIECES)
    first, last = found["direction"][0], found["direction"][-1]
    middle = 0.5 * (what_if.STATION[1:] + what_if.STATION[:-1]) * throw["length"]
    turned = np.clip(
        (middle - throw_family.BEHIND * throw["length"]) / (0.5 * throw["loop"]), 0, np.pi
    )
    assert first == pytest.approx(turned, abs=0.15)
    assert np.abs(last[:25]).max() < 0.5 < last[-1]  # the fold has come to the tip
    own = one_throw.checked(throw, 60)
    assert found["peak_speed"] == own["peak_speed"] and found["crack_time"] == own["crack_time"]


def known_motion(place):
    """Directions and numbers that are second-degree polynomials of the place."""
    moment, piece = np.ogrid[0 : what_if.MOMENTS, 0 : what_if.PIECES]
    a, b, c, d, e = place
    turn = (0.3 + a * b - 0.2 * c * c) * moment / 25 + (d - 0.5 * e) * piece / 40
    return {
        "bad": "",
        "direction": turn,
        "crack_time": np.exp(0.2 * a - e),
        "peak_speed": np.exp(b * b),
    }


def test_polynomials_are_found_and_unseen_throws_agree(monkeypatch) -> None:
    monkeypatch.setattr(what_if, "_at", known_motion)
    shown = what_if.fitted(1, 50, 5)
    assert shown is not None and shown.throws == 50
    assert max(shown.off, shown.tip_off, shown.speed_off) < 1e-9
    place = np.array([[0.3, -0.4, 0.9, -0.7, 0.2]])
    row, true = what_if.basis(place)[0], known_motion(place[0])
    assert np.tensordot(row, shown.direction, axes=1) == pytest.approx(true["direction"], abs=1e-9)
    assert np.exp(row @ shown.numbers) == pytest.approx([true["crack_time"], true["peak_speed"]])


def test_what_no_polynomial_is_shows_in_the_errors_and_bad_throws_do_not_count(monkeypatch) -> None:
    def rough(place):
        found = known_motion(place)
        found["direction"] = found["direction"] + 0.3 * np.sin(9.0 * place[0])
        return found | {"bad": "open" if place[1] > 0.9 else "", "peak_speed": 1.0 + place[0] ** 2}

    monkeypatch.setattr(what_if, "_at", rough)
    shown = what_if.fitted(1, 60, 12)
    assert shown is not None and shown.throws < 60
    assert 0.01 < shown.off < 0.3 and shown.off < shown.tip_off and shown.speed_off > 1e-3
    monkeypatch.setattr(
        what_if, "_at", lambda place: {"bad": "open", "direction": np.empty((0, 40))}
    )
    assert what_if.fitted(1, 50, 5) is None


def test_the_engine_is_met_between_its_throws(monkeypatch) -> None:
    """Sixty throws on coarse chains; the page's own numbers are in docs/law.md."""
    monkeypatch.setattr(
        what_if, "_at", lambda place: what_if.motion_of(what_if.throw_at(place), 40)
    )
    shown = what_if.fitted(1, 52, 6)
    assert shown is not None
    assert shown.off < 0.01 and shown.tip_off < 0.06 and shown.speed_off < 0.05
