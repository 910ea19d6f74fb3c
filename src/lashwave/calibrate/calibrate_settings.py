"""The numbers by which cameras are calibrated, each with what it is and what set it.

Where a field names no source, its value was set by trial on rendered boards and wands and is
checked only by `tests/calibrate`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class CalibrateSettings:
    """How corners are found and cameras fitted; a copy with other values may be given."""

    # Corners of a board.
    corner_reach: float = 0.5
    """Of a square, along each edge: a lens bends longer ones [1]."""
    corner_clear: float = 1.5
    """Between a strip and the codes [px]: the optics' blur and the derivative's own reach."""
    corner_fewest: int = 12
    """Pixels of a corner's strips that are worth a fit."""
    corner_steps: int = 20
    """Iterations of one corner, at most."""
    corner_settled: float = 1e-4
    """Step under which a corner is at its place [px]."""
    corner_ran: float = 1.0
    """A corner that goes farther from its start is left there [px]."""
    corner_common: float = 1.16
    """Factor on the deviations of coded boards: two neighbours lie on the ends of one edge, in
    strips that meet. Over 38 rendered boards of 8 images the square of 8 lens parameters came to
    10.7 in the mean without it."""

    # Least squares on image points.
    fit_covered: float = 0.4
    """Share of the image that the points should span."""
    fit_cut: float = 4.0
    """A point further from the fit than this many robust sd (of one coordinate) is left out."""
    fit_spare: int = 8
    """Degrees of freedom that must be left for a point to be put aside."""
    fit_singular: float = 1e10
    """Condition number, columns scaled, from which parameters count as not determined."""
    fit_ill: float = 1e5
    """Condition number from which the fit is called badly conditioned."""
    fit_chance: float = 0.01
    """Probability under which the residuals are larger than the stated sd allows."""
    fit_tries: int = 300
    """Random sets of points from which a start among outliers is taken."""
    bundle_steps: int = 100
    """Iterations of an adjustment of many groups, at most."""

    # A lens from images of a board.
    board_few: int = 8
    """Images under which a calibration is called thin."""
    board_strange: float = 4.0
    """An image whose residuals are this many times those of the median image is left out."""

    # A camera from points in space.
    pose_tries: int = 500
    """Random sets of points from which a pose among outliers is taken."""
    pose_flat: float = 0.02
    """Thickness over width of points under which a second pose is looked for."""
    pose_clear: float = 16.0
    """By how much chi-square must part two poses."""
    pose_open: float = 0.2
    """Relative sd of the focal length from which it counts as not determined."""
    pose_vague: float = 0.01
    """Relative sd of the focal length from which to warn."""
    view_square: float = 1e-4
    """Sd of the ratio of a square pixel's sides, and of the cosine of their angle."""
    view_exact: float = 1e-6
    """Sd of a direction that is called exact [rad]."""
    view_vague: float = float(np.radians(3.0))
    """Sd of the direction of view from which to warn [rad]."""
    view_unknown: float = float(np.radians(20.0))
    """Sd of the direction of view from which to refuse [rad]."""

    # A moved camera that is placed anew.
    anew_steps: int = 30
    """Moves by which a board's place is found, at most."""
    anew_settled: float = 1e-10
    """Move of the board under which its place is found [rad, m]."""
    anew_chance: float = 1e-3
    """Probability under which the cameras that stand are said to contradict one another."""

    # Cameras from a wand.
    wand_starts: int = 4
    """Pairs of cameras that an adjustment is started from, at most."""
    wand_least: float = 0.5
    """Share of the dots that must fit."""
    wand_loose: float = 0.05
    """Relative scatter of the wand's length that may stand."""
    wand_thin: int = 60
    """Frames under which a wand calibration is called thin."""
    wand_rigid: float = 2e-5
    """How far a distance on the wand is let depart from its length in one frame [m]."""
    wand_soft: float = 2.0
    """Unit residual from which a soft adjustment counts linearly."""
    wand_bent: float = 0.03
    """Distance of the middle dot from the line through the others, over their distance, to bear."""
    wand_clear: float = 0.2
    """Logarithm by which one order of three dots must fit better than the other."""
    wand_few: int = 15
    """Dots that two cameras, or a camera and the placed dots, must have in common."""


CALIBRATE = CalibrateSettings()
"""What `lashwave calibrate` uses."""
