"""The numbers by which dots are found and placed in space, each with what it is and what set it.

Where a field names no source, its value was set by trial on rendered pictures and is checked only
by `tests/points/test_dots.py`, `tests/points/test_marker_points.py` and `benchmarks/dots.py`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class DotSettings:
    """How dots are found in pictures; a copy with other values may be given to every step."""

    # Which pixels are bright.
    threshold: float = 5.0
    """Of a pixel over the background [standard deviations of its noise]."""
    least: int = 3
    """Fewest bright pixels of a dot: fewer are a faulty pixel or noise."""
    full: int | None = None
    """Level of a saturated pixel; None: by the images (`full_level`)."""
    gain: float | None = None
    """Of shot noise [grey levels an electron]; None: measured on the images, where it shows."""
    gain_sure: float = 4.0
    """A gain measured under this many of its standard deviations is none."""

    # What an image holds where there is no dot.
    step: int = 8
    """Every eighth pixel each way stands for the image: 20 000 of 1280 x 1024 [px]."""
    tile: int = 16
    """Samples each way in a tile: its level is a median over 128 x 128 px."""
    clip: float = 3.0
    """Samples further off are left out of the noise [sd]."""
    clipped_sd: float = 0.98658
    """Standard deviation of a unit normal cut at +-3, by integration; goes with `clip`."""

    # The cutout around a dot.
    half_widths: tuple[int, ...] = (3, 4, 5, 6, 8, 10, 13, 17, 22, 29, 38, 50, 64)
    """Cutouts are 2 h + 1 px wide; a spot takes the smallest that holds it. Steps of about 4/3."""
    reach: float = 2.8
    """Widths of a dot inside its cutout: beyond lie 0.4 % of what is known of its centre (by the
    Fisher information of a Gaussian spot)."""

    # What a spot is.
    chance: float = 4.0
    """Standard deviations of chi-square beyond which a misfit is no chance."""
    long: float = 20.0
    """Chi-square (2 degrees of freedom) of a dot's elongation: round dots pass it once in
    20 000 (exp(-10))."""
    lens: float = 1.15
    """Ratio of the two second moments that a lens may give a round dot. Assumed."""
    apart: float = 3.0
    """Least distance of two dots that are parted [standard widths]."""
    better: float = 10.0
    """Gain in chi-square with which one shape is preferred to another (odds of e^5)."""
    unsure: float = 0.3
    """Share of the apparent length by which the middle of two blended dots may miss either: the
    half distance d / 2 of two equal dots against the length sqrt(3) d they are taken for."""
    poor: float = 1.8
    """Chi-square a degree of freedom from which a fit's shape is not believed."""
    misfit: float = 0.1
    """Root-mean-square residual over the height from which a spot is no known shape."""
    worst: float = 0.25
    """Greatest residual over the height from which a long spot is neither streak nor pair."""
    pulse_sd: float = 0.1
    """Of the middle of the light in the exposure, as a share of its length: how far along a
    streak the dot's place at mid-exposure may lie from the streak's middle. Assumed."""

    # What is done at a time; sets memory, changes no result.
    batch: int = 32
    """Images whose dots are fitted together."""
    pixels: int = 400_000
    """Pixels of cutouts that are fitted at once."""


DOTS = DotSettings()
"""What `lashwave locate` uses."""


@dataclass(frozen=True)
class MeetSettings:
    """When dots of several cameras are one point."""

    chance: float = 1e-3
    """Share of right sets refused for their residuals."""
    calibration: float = 0.2
    """Standard deviation added to every dot for what the calibrations are worth [px]. Assumed."""
    view: float = 5.0
    """What one more camera that agrees is worth, as log odds: a stray dot falls within the gate of
    some 3 px once in some hundred times (40 dots, a megapixel)."""
    expected: float = 5.0
    """What it is worth to stand where a track is expected, as log odds."""
    margin: float = 4.0
    """Least lead in log odds over a rival that shares a dot, for a point of two cameras."""
    least: int = 4
    """Frames that a point of two cameras must last: wrong pairs part sooner."""
    doubtful: float = 0.01
    """Share of right points whose own deviation is widened for their residuals."""
    least_sd: float = 5e-5
    """Of one coordinate of a marker [m]: what calibrations are worth at best. Assumed."""


MEET = MeetSettings()
"""What `lashwave locate` uses."""
