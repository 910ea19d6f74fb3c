"""Full extension by its definition, on tips whose distance is known in closed form."""

import numpy as np
import pytest

from lashwave.answers import extension

STATION = np.linspace(0.0, 2.0, 21)
TIME = np.linspace(0.0, 1.0, 401)


def drawn(imposed, distance, rate):
    """One draw whose tip stands `distance` (K,) [m] from the butt, along x."""
    position, velocity = np.zeros((TIME.size, 21, 3)), np.zeros((TIME.size, 21, 3))
    position[:, -1, 0], velocity[:, -1, 0] = distance, rate
    return imposed.draws(TIME, STATION, position, velocity)


def breathing(imposed, turns, phase):
    """1.2 + 0.6 cos(2 pi turns t + phase) m."""
    angle = 2 * np.pi * turns * TIME + phase
    return drawn(imposed, 1.2 + 0.6 * np.cos(angle), -0.6 * 2 * np.pi * turns * np.sin(angle))


def test_the_extension_of_the_crack_is_not_the_earlier_one(imposed):
    # Two turns a second: largest at 0.4 and 0.9 s, smallest at 0.15 and 0.65 s. The tip peaks at
    # 0.88 s; the line is as long at 0.4 s, which is another stretch.
    angle = 2 * np.pi * (2 * TIME - 0.8)
    draws = drawn(  # deepest at 0.15 s
        imposed,
        1.2 + 0.6 * np.cos(angle) + 0.1 * TIME,
        -0.6 * 4 * np.pi * np.sin(angle) + 0.1,
    )
    found = extension.extensions_of(draws, np.array([0.88]))
    assert found.full[0] == pytest.approx(0.9, abs=2e-3)
    assert found.earlier[0] == pytest.approx(0.4, abs=2e-3)


def test_a_tip_that_peaks_after_full_extension_has_the_same_one(imposed):
    draws = breathing(imposed, 2, -2 * np.pi * 0.8)
    assert extension.extensions_of(draws, np.array([0.93])).full[0] == pytest.approx(0.9, abs=1e-4)


def test_a_longer_stretch_after_the_crack_counts_to_the_end_of_the_record(imposed):
    # by the definition: "the largest ... and the end of the record"
    grows = 1.2 + 0.3 * TIME + 0.3 * np.cos(2 * np.pi * 3 * TIME)
    rate = 0.3 - 0.3 * 2 * np.pi * 3 * np.sin(2 * np.pi * 3 * TIME)
    found = extension.extensions_of(drawn(imposed, grows, rate), np.array([0.33]))
    # smallest before 0.33 s near 1/6 s; then the greatest is the last of the cosine's, at the end
    assert np.isinf(found.full[0])
    answer = extension.answers(found)["full_extension_time"]
    assert answer.value is None and "still grows" in answer.reason


def test_one_that_still_grows_is_none(imposed):
    found = extension.extensions_of(breathing(imposed, 1, -1.0), np.array([0.95]))
    assert np.isinf(found.full[0])
    assert extension.answers(found)["full_extension_time"].value is None


def test_a_wobble_is_no_smallest_distance(imposed):
    # 1 % of 2 m: a wobble of 15 mm from top to bottom on the way out starts no crack.
    angle = 2 * np.pi * (TIME - 0.8)
    base = 1.2 + 0.6 * np.cos(angle)
    wobble = 7.5e-3 * np.sin(2 * np.pi * 40 * TIME)
    low = extension.last_smallest(base + wobble, int(0.78 * 400), 0.02)
    assert TIME[low] == pytest.approx(0.3, abs=0.03)


def test_draws_say_how_sure_it_is(imposed):
    found = extension.Extensions(np.full(120, 0.4), np.full(120, np.inf))
    answers = extension.answers(found)
    assert answers["full_extension_time"].value == 0.4
    assert answers["full_extension_time"].probability == pytest.approx(1 - 3 / 120)
    assert answers["earlier_extension_time"].probability == pytest.approx(3 / 120)
