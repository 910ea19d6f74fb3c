"""Strobe flashes and the motion: which flash is which sample, and how near they bring the clock."""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate import joint
from lashwave.estimate.clock_scan import FlashChoice, clock_caution, probabilities, scanned
from lashwave.estimate.options import Options
from lashwave.estimate.path import from_nodes
from lashwave.estimate.setup import set_up
from lashwave.estimate.sighting_rows import full_weights
from lashwave.estimate.sweep import initial_shared
from lashwave.points.clock_sound.flash_clock import fit_clock
from lashwave.quantities.clock_fit import Flashes
from tests.twin.rigid import rigid_throw
from tests.workbench.small_throw import small_throw

OUT_OF_STEP = 20010.0  # 40.02 frames a marker sample: the phase sweeps one frame in 50 flashes


def prepared(**wishes):
    """Trial, truth, setup and a path that follows the truth, as the markers alone would give it."""
    trial, truth = rigid_throw(flashes=True, **wishes)
    setup = set_up(trial, Options())
    time = np.unique(np.concatenate([trial.markers.time, np.arange(0.045, 0.075, 2e-5)]))
    node = truth.path.at(time, setup.chain.station)[0]
    return trial, truth, setup, from_nodes(setup, time, node, initial_shared(setup))


@pytest.mark.parametrize("rate, tolerance", [(20000.0, 0.5), (OUT_OF_STEP, 0.1)])
def test_the_scan_takes_the_right_flash_and_the_flashes_bound_the_clock(rate, tolerance):
    """Within half a frame where the rates keep step, a tenth where the phases sweep."""
    trial, truth, setup, path = prepared(camera_rate=rate)
    camera = trial.cameras[0]
    column = setup.shared.index("clock_offset:tip-view")
    path, choices = scanned(setup, path)
    off = path.shared[column] - truth.answers["clock_offset:tip-view"]
    assert choices == ()
    assert abs(off) * rate < tolerance + 0.02  # the drift moves a frame by 0.01 within the record
    assert setup.shared.sd[column] * rate < tolerance
    assert camera.rate == rate


@pytest.mark.parametrize("seed", range(3, 9))
def test_flashes_alone_give_a_tenth_of_a_frame_where_phases_sweep(seed):
    """Order statistics: N flashes leave 2 T / (N + 1) in the mean; here evenly
    spread phases, of which fifty leave about T / 50 and the drift's share."""
    trial, truth = rigid_throw(seed, flashes=True, camera_rate=OUT_OF_STEP)
    camera, true = trial.cameras[0], truth.answers["clock_offset:tip-view"]
    frame, one = camera.flashes, np.ones(camera.flashes.size)
    flashes = Flashes(frame, frame.astype(float), 0.5 * one, 0.0 * one, one)
    near = replace(camera.clock, offset=true + 3e-4, offset_sd=3e-4)  # within a marker period
    fit = fit_clock(flashes, camera.rate, 2001, trial.markers.time, near)
    assert fit.share == 1.0 and fit.resolved
    assert abs(fit.offset - true) * camera.rate < 0.1
    assert fit.bounds[0] <= true <= fit.bounds[1]
    assert (fit.bounds[1] - fit.bounds[0]) * camera.rate < 0.2


def test_a_motion_that_stands_still_leaves_it_open_and_names_the_candidates():
    trial, _, setup, path = prepared()
    still = replace(path, direction=path.direction[:1] + 0 * path.direction)
    camera = trial.cameras[0]
    at = np.broadcast_to(camera.uv[:1], camera.uv.shape) + 0.0
    setup = replace(setup, trial=replace(trial, cameras=(replace(camera, uv=at),)))
    path, (choice,) = scanned(setup, still)
    assert choice.camera == "tip-view" and choice.offset.size >= 2
    assert path.shared[choice.column] == choice.offset[0]
    assert setup.shared.mean[choice.column] == choice.mean[0]
    apart = np.abs(np.diff(np.sort(choice.mean))) * trial.markers.rate
    assert apart == pytest.approx(np.round(apart), abs=0.1)  # whole samples
    choice.take(setup, 1)
    assert setup.shared.mean[choice.column] == choice.mean[1]


def test_ways_are_weighed_by_how_likely_they_make_the_sightings():
    # twice the logarithm of likelihoods of 1 to 3 to 0.001
    share = probabilities(-2.0 * np.log([1.0, 3.0, 1e-3]) + 1e4)
    assert share == pytest.approx(np.array([1.0, 3.0, 1e-3]) / 4.001)
    choice = FlashChoice("c", 0, np.zeros(3), np.array([0.1, 0.102, 0.104]), np.ones(3))
    (said,) = clock_caution(choice, share)
    assert "camera c" in said and "\n" not in said
    assert said.index("0.102000 s (probability 0.75)") < said.index("0.100000 s (probability 0.25)")
    assert clock_caution(choice, np.array([0.995, 0.005, 0.0])) == ()


@pytest.mark.parametrize("first", [0, 1])
def test_the_way_by_which_all_sightings_agree_is_gone_on_with(first):
    """Of two ways a marker sample apart the one that the markers' motion took first is the wrong
    one, or the right one: the whole fit goes on with the right one."""
    trial, truth = small_throw()
    setup = set_up(trial, Options(spacing_butt=0.12, spacing_tip=0.04))
    time = np.linspace(*trial.markers.time[[0, -1]], 400)
    node = truth.path.at(time, setup.chain.station)[0]
    path = from_nodes(setup, time, node, initial_shared(setup))
    right = truth.answers["clock_offset:tip-view"]
    both = np.array([right, right - 1.0 / trial.markers.rate])
    both = both[::-1] if first else both
    column = setup.shared.index("clock_offset:tip-view")
    choice = FlashChoice("tip-view", column, both, both, np.full(2, 2e-5))

    def scan(setup, path):
        choice.take(setup, 0)
        return choice.at(path, 0), (choice,)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(joint, "scanned", scan)
        stages = joint._Stages(setup, path, full_weights(setup, np.inf), lambda what, share: None)
        stages.factor = 1.0
        stages.run("markers", 0.0, 8, 1e-3)
        stages.admit_cameras()
    assert stages.search.path.shared[column] == pytest.approx(right, abs=1e-4)
    assert setup.shared.mean[column] == right
    assert stages.clock_warnings == ()
