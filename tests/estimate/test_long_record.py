"""A record of 0.6 s in windows against the same taken at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline, interp1d
from threadpoolctl import threadpool_limits

from lashwave.estimate import (
    CutShelf,
    Options,
    judged,
    long_record,
    normal as eq,
    pieces,
    solved,
    solved_long,
)
from lashwave.estimate.levenberg import Undivided
from lashwave.estimate.long_search import as_kept, from_kept, suits, window_edges
from lashwave.estimate.path import displaced
from lashwave.estimate.posterior import draws_of
from lashwave.twin import make

OPTIONS = Options(draws=60, spacing_butt=0.12, spacing_tip=0.04)
WINDOW = 0.2
SAMPLES = 300


class Remembering:
    """A shelf in memory."""

    def __init__(self):
        self.kept, self.put_names = {}, []

    def get(self, name):
        return self.kept.get(name)

    def put(self, name, arrays):
        self.put_names.append(name)
        self.kept[name] = arrays


@pytest.fixture(scope="module")
def trial():
    whole = make(3, "swing")[0]
    markers = whole.markers
    few = replace(
        markers,
        time=markers.time[:SAMPLES],
        position=markers.position[:SAMPLES],
        sd=markers.sd[:SAMPLES],
    )
    return replace(whole, markers=few, cameras=())


@pytest.fixture(scope="module")
def found(trial):
    """Whole and long fits, and the shelf with what the long one kept."""
    shelf = Remembering()
    with threadpool_limits(limits=1, user_api="blas"):
        setup, joint = solved(trial, OPTIONS)
        draws = draws_of(setup, joint, joint.factor)
        long = solved_long(trial, OPTIONS, WINDOW, shelf=shelf)
        return joint, draws, long, shelf


def off_by(joint, draws, long):
    """(K, N + 1, 3), how far the long record's motion lies from the whole's, in its deviations."""
    place = CubicSpline(long.path.time, long.path.node, axis=0)(joint.path.time)
    sd = draws.position.std(axis=0, ddof=1)
    return np.abs(place - joint.path.node) / np.maximum(sd, 1e-6)


def test_the_motion_is_where_the_equations_of_the_whole_have_their_minimum(found):
    """A step of Gauss and Newton's from there, all times at once, moves no node by a tenth of its
    deviation."""
    _, draws, long, _ = found
    d = long.division
    assert d.cuts.size == 4 and long.converged
    whole = Undivided(d.setup, d.density, d.weights, d.anchor, eq.BandMemory())
    n = whole.newton(long.path, 1e-6)
    step = displaced(long.path, long.path.reach(d.setup), n.step) - long.path.node
    sd = interp1d(draws.time, draws.position.std(axis=0, ddof=1), axis=0)(long.path.time)
    assert (np.abs(step) / np.maximum(sd, 1e-6)).max() < 0.1


def test_a_search_in_windows_comes_where_one_of_the_whole_does(found):
    """Of two searches that end in the same flat stretch: within a tenth of a deviation, and no
    further at the ends of windows; but for the first sway of the free tip, which hangs on the shape
    that each search guessed."""
    joint, draws, long, _ = found
    off = off_by(joint, draws, long)
    assert np.sqrt((off**2).mean()) < 0.1
    later = off[joint.path.time > 0.03]
    assert np.quantile(later, 0.99) < 0.2
    ends = np.array([WINDOW, 2 * WINDOW, *long.path.time[long.division.cuts[1:-1]]])
    near = np.abs(joint.path.time[:, None] - ends).min(axis=1) < 0.02
    assert np.sqrt((off[near] ** 2).mean()) < 1.5 * np.sqrt((later**2).mean())


def test_draws_are_one_motion_from_piece_to_piece(found):
    _, whole, long, _ = found
    parts = list(pieces(long))
    assert [p.last for p in parts[1:]] == [p.first for p in parts[:-1]]
    assert parts[0].last == long.path.time.size and parts[-1].first == 0
    for late, early in zip(parts[:-1], parts[1:], strict=True):
        assert early.draws.time[-1] == late.draws.time[0]
        for name, close in (("position", 2e-7), ("velocity", 1e-5), ("hand_power", 1e-4)):
            one, other = getattr(early.draws, name)[:, -1], getattr(late.draws, name)[:, 0]
            np.testing.assert_allclose(one, other, atol=close * max(1.0, np.abs(one).max()))
        np.testing.assert_allclose(early.field.velocity[-1], late.field.velocity[0], atol=1e-7)
    sd = [p.draws.position[:, : p.last - p.first].std(axis=0, ddof=1) for p in parts[::-1]]
    size, expected = np.concatenate(sd), whole.position.std(axis=0, ddof=1)
    # 60 draws tell a deviation to 9 %; over all places of one motion, to a few per cent
    assert np.median(size) / np.median(expected) == pytest.approx(1.0, abs=0.15)
    residuals, _, _ = judged(long)
    assert residuals.marker.shape == long.setup.trial.markers.position.shape


def test_a_run_that_was_stopped_goes_on_with_what_is_kept(trial, found, monkeypatch):
    _, _, long, shelf = found
    again = Remembering()
    again.kept = {k: v for k, v in shelf.kept.items() if not k.startswith("steps-1")}

    def sought_anew(*_):
        raise AssertionError("a window that is kept was sought again")

    monkeypatch.setattr("lashwave.estimate.long_search._sought_window", sought_anew)
    with threadpool_limits(limits=1, user_api="blas"):
        other = solved_long(trial, OPTIONS, WINDOW, shelf=again)
    assert again.put_names == ["steps-1"]
    np.testing.assert_allclose(other.path.node, long.path.node, atol=1e-7)


def test_a_window_comes_back_as_it_was_kept(found):
    long, shelf = found[2], found[3]
    window = from_kept(long.setup, shelf.kept["window-00001"])
    again = as_kept(window)
    assert again.keys() == shelf.kept["window-00001"].keys()
    for name, value in again.items():
        np.testing.assert_array_equal(value, shelf.kept["window-00001"][name])


def test_all_windows_but_the_last_stay_when_a_record_is_cut():
    time = np.arange(0.0, 2.6, 2e-3)
    np.testing.assert_allclose(window_edges(time, 1.0), [0.0, 1.0, 2.0, 2.598])
    np.testing.assert_allclose(window_edges(time[:1240], 1.0), [0.0, 1.0, 2.478])
    np.testing.assert_allclose(window_edges(time[:200], 1.0), [0.0, 0.398])


def test_a_cut_record_has_windows_of_the_whole_one_but_for_its_last():
    shelf = Remembering()
    whole = {f"window-{i:05d}": {"of": np.array(i)} for i in range(3)} | {"steps-0": {}}
    shelf.kept |= whole
    cut = CutShelf(shelf, np.arange(0.0, 2.5, 2e-3), 1.0)  # of one window and one of 1.5 s
    assert cut.get("window-00000") is whole["window-00000"]
    assert cut.get("window-00001") is None and cut.get("steps-0") is None
    cut.put("window-00001", {"of": np.array(7)})
    assert cut.get("window-00001")["of"] == 7
    assert {name: shelf.kept[name] for name in whole} == whole
    again = CutShelf(shelf, np.arange(0.0, 2.3, 2e-3), 1.0)  # cut once more
    assert again.get("window-00001") is None


def test_a_window_of_other_links_is_sought_again(found):
    long, shelf = found[2], found[3]
    kept = shelf.kept["window-00001"]
    assert suits(long.setup, kept)
    assert not suits(long.setup, kept | {"head_direction": kept["head_direction"][:, 1:]})
    assert not suits(long.setup, kept | {"mean": kept["mean"][1:]})
    assert long_record.SEARCHED < 1.0
