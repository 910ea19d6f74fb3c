"""The true pull at the grip is read 10 mm after it, whatever the engine's links are."""

import numpy as np
import pytest

from lashwave.twin.truth import TrueMotion, pull_behind_grip


@pytest.mark.parametrize("link", [0.004, 0.011, 0.024])
def test_a_pull_that_falls_evenly_along_the_line_is_read_ten_millimetres_out(link):
    station = np.concatenate([[0.0, 0.1], 0.2 + link * np.arange(12)])
    middle = 0.5 * (station[1:] + station[:-1])
    size = np.array([1.0, 2.0])[:, None]
    tension = size * (30.0 - 100.0 * (middle - 0.2))
    tension[:, :2] = np.nan  # rigid grip
    place = np.zeros((2, station.size, 3))
    path = TrueMotion(
        np.array([0.0, 1.0]), station, place, place, place, tension, np.zeros((2, 3)), np.zeros(2),
        np.zeros(2),
    )  # fmt: skip
    # 30 N at the grip's end, 1 N less for each 10 mm; half a link out at the nearest
    expected = 30.0 - 100.0 * max(0.010, 0.5 * link)
    assert pull_behind_grip(path, 0.2) == pytest.approx(expected * size[:, 0], rel=1e-12)
