"""Dots of a wand told apart by their spacing, as rendered cameras see them."""

import numpy as np

from lashwave.calibrate.wand_rows import Wand
from lashwave.calibrate.wand_start import order_three
from tests.calibrate.test_wand import rig, seen, waved


def test_three_dots_are_told_apart_in_every_camera() -> None:
    random, full, wand = np.random.default_rng(0), rig(4), Wand(np.array([0.0, 0.15, 0.5]))
    uv = seen(full, waved(300, wand), 0.3, random).reshape(-1, 3, 2)
    uv = uv[np.isfinite(uv).all(axis=(1, 2))]
    mixed = np.argsort(random.random((len(uv), 3)), axis=1)
    order = order_three(np.take_along_axis(uv, mixed[..., None], axis=1), wand.places)
    told = (order >= 0).all(axis=1)
    assert told.mean() > 0.9  # the rest are seen end on
    assert (order[told] == mixed[told]).all()


def test_what_is_no_wand_is_not_labelled() -> None:
    bent = [[[0, 0], [30, 8], [100, 0]]]
    even = [[[0, 0], [50, 0], [100, 0]]]
    twice = [[[5, 5], [5, 5], [5, 5]]]
    for uv in (bent, even, twice):
        assert (order_three(np.array(uv, dtype=float), [0.0, 0.15, 0.5]) == -1).all()
