"""Which ends are the only free ones, on drawn dark lines."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from lashwave.points.background import Background
from lashwave.points.tip.line_mask import dark_regions, mask_thresholds
from lashwave.points.tip.line_trace import End
from lashwave.points.tip.lone_end import DarkScene, goes_on_hidden, has_rival, is_lone

SHAPE = (140, 200)
LEVEL = np.full(SHAPE, 200.0, dtype=np.float32)


def drawn(*strands: list[tuple[int, int]], width: int = 4, hole: slice | None = None) -> DarkScene:
    """Dark strands on an even light; where `hole` is, nothing is known."""
    dark = np.zeros(SHAPE, dtype=np.float32)
    for strand in strands:
        cv2.polylines(dark, [np.array(strand)], False, 0.95, width)
    usable = np.ones(SHAPE, dtype=np.bool_)
    if hole is not None:
        usable[:, hole] = False
    dark[~usable] = 0.0
    thresholds = mask_thresholds(Background(LEVEL, np.full_like(LEVEL, 2.0), usable))
    regions = dark_regions(dark, thresholds)
    return DarkScene(dark, regions, thresholds, usable, np.zeros(SHAPE, np.bool_), regions[0])


def end(*way: tuple[int, int]) -> End:
    """An end whose way leads along these places from the tip inward."""
    rows = np.array(way, dtype=float)
    steps = [np.linspace(a, b, 30) for a, b in zip(rows[:-1], rows[1:], strict=True)]
    ahead = rows[0] - rows[1]
    return End(np.concatenate(steps), ahead / np.hypot(*ahead), 0.9, True)


STEM = [(0, 70), (120, 70)]


def test_a_line_alone_has_no_rival() -> None:
    assert not has_rival(end((120, 70), (0, 70)), drawn(STEM))


def test_a_strand_that_hangs_on_the_way_is_a_rival() -> None:
    scene = drawn(STEM, [(90, 70), (60, 30)])
    assert has_rival(end((120, 70), (0, 70)), scene)
    assert not is_lone(end((120, 70), (0, 70)), scene)


def test_a_loop_is_the_line_itself() -> None:
    loop = [(120, 70), (160, 60), (170, 100), (130, 110), (100, 40)]
    assert not has_rival(end((100, 40), (112, 70), (0, 70)), drawn(STEM, loop))


def test_what_joins_ahead_of_the_end_is_a_tuft_or_a_front() -> None:
    strands = [(110, 70), (150, 40)], [(110, 70), (150, 100)]
    assert not has_rival(end((112, 70), (0, 70)), drawn(STEM, *strands))


def test_a_closed_fold_is_wider_and_no_rival_of_the_strand() -> None:
    scene = drawn(STEM, [(90, 70), (60, 20)])
    thick = drawn([(0, 70), (90, 70), (60, 20)])
    cv2.line(thick.dark, (90, 70), (125, 72), 0.95, 11)
    thick = replace(thick, regions=dark_regions(thick.dark, thick.thresholds))
    assert has_rival(end((60, 20), (90, 70), (0, 70)), scene)
    assert not has_rival(end((60, 20), (90, 70), (0, 70)), thick)


def test_a_line_that_comes_in_at_a_slant_has_no_rival_at_the_rim() -> None:
    scene = drawn([(-20, 20), (30, 130)], width=9)
    assert not has_rival(end((30, 130), (10, 86), (2, 80)), scene)


def test_a_front_that_trails_behind_the_end_is_no_rival() -> None:
    trail = [(118, 70), (70, 30)]
    scene = drawn(STEM, trail)
    assert has_rival(end((120, 70), (0, 70)), scene)
    cv2.line(scene.dark, (115, 62), (70, 24), -0.5, 3)
    assert not has_rival(end((120, 70), (0, 70)), scene)


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_line_that_goes_on_behind_dust_has_not_ended(goes_on: bool) -> None:
    far = 160 if goes_on else 100
    scene = drawn([(0, 70), (far, 72)], hole=slice(104, 113))
    scene = replace(scene, own=min(scene.regions, key=lambda r: r.corner[0]))
    assert goes_on_hidden(end((102, 71), (0, 70)), scene) is goes_on


def test_what_is_dark_all_the_time_is_no_tip() -> None:
    scene = drawn(STEM)
    assert is_lone(end((120, 70), (0, 70)), scene)
    still = scene.still.copy()
    still[60:80, 110:130] = True
    assert not is_lone(end((120, 70), (0, 70)), replace(scene, still=still))
