"""Widths of a tuft against the drag that the fit expects of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lashwave.estimate.options import Options
from lashwave.estimate.setup import set_up, tuft_scale
from lashwave.quantities.line import Tuft
from lashwave.quantities.sightings import TuftWidths
from lashwave.quantities.trial import Trial
from tests.twin.rigid import rigid_throw


@pytest.fixture(scope="module")
def trial() -> Trial:
    """A throw with a tuft whose tip speeds up and slows down in view."""
    trial, _ = rigid_throw()
    frame = np.arange(100, 141)
    along = np.cumsum(5.0 + 25.0 * np.exp(-0.5 * ((frame - 120.0) / 5.0) ** 2))
    (camera,) = trial.cameras
    camera = replace(
        camera,
        frame=frame,
        station=np.full(frame.size, trial.line.length),
        uv=np.column_stack([along, 0.3 * along]),
        point_sd=np.full(frame.size, 0.3),
    )
    tuft = Tuft(2e-5, 0.5e-5, 1e-5)
    return replace(trial, line=replace(trial.line, tuft=tuft), cameras=(camera,))


def widened(trial: Trial, by: float, sd: float = 1e-4) -> Trial:
    """Widths of 8 mm that change by the share `by` at the peak of the tip's speed."""
    (camera,) = trial.cameras
    width = 8e-3 * (1.0 + by * np.exp(-0.5 * ((camera.frame - 120.0) / 5.0) ** 2))
    seen = TuftWidths(camera.frame, width, np.full(camera.frame.size, sd))
    return replace(trial, cameras=(replace(camera, tuft=seen),))


def drag(trial: Trial) -> tuple[float, float]:
    """What the fit expects of the tuft's drag before it sees the motion: log scale and sd."""
    shared = set_up(trial, Options()).shared
    column = shared.index("drag_tuft")
    return float(shared.mean[column]), float(shared.sd[column])


def test_a_tuft_that_is_wide_when_fast_drags_more(trial: Trial) -> None:
    before, before_sd = drag(trial)
    assert before == 0.0
    wide, wide_sd = drag(widened(trial, 0.5))
    closed, closed_sd = drag(widened(trial, -0.5))
    assert closed < -0.1 < 0.1 < wide
    assert min(wide_sd, closed_sd) > before_sd  # the exponent is not well known
    assert abs(wide) < 2.0 * wide_sd


def test_the_shift_is_the_mean_width_by_speed_squared(trial: Trial) -> None:
    seen = widened(trial, 0.5)
    (camera,) = seen.cameras
    assert camera.tuft is not None
    # The same by numpy's own gradient of the path that was drawn.
    force = np.gradient(np.linalg.norm(camera.uv - camera.uv[0], axis=1)) ** 2
    width = camera.tuft.width
    expected = np.log(np.average(width, weights=force) / width.mean())
    assert tuft_scale(seen)[0] == pytest.approx(expected, rel=0.02)


def test_a_steady_tuft_changes_nothing(trial: Trial) -> None:
    size, sd = tuft_scale(widened(trial, 0.0))
    assert size == pytest.approx(0.0, abs=1e-12)
    assert sd < 0.01
    assert tuft_scale(widened(trial, 0.0, sd=4e-3))[1] > 5 * sd


def test_no_tuft_and_no_widths_change_nothing(trial: Trial) -> None:
    assert tuft_scale(trial) == (0.0, 0.0)
    bare = replace(widened(trial, 0.5), line=replace(trial.line, tuft=None))
    assert tuft_scale(bare) == (0.0, 0.0)
