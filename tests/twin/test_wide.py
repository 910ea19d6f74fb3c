"""Throws drawn afresh: what they are for is to lie where the program's priors do not."""

import numpy as np

from lashwave.twin.bench import wide_law, wide_line


def test_lines_are_of_many_tapers_and_of_one_material_or_two() -> None:
    """Stiffness goes with the second to the fourth power of the diameter, in half with a step."""
    power, step = [], []
    for seed in range(60):
        line = wide_line(np.random.default_rng(seed))
        assert line.bending_stiffness is not None
        columns = np.array([line.diameter, line.linear_density, line.bending_stiffness])
        assert (columns > 0).all()
        assert (np.diff(line.station) > 0).all()
        fit = np.polyfit(np.log(line.diameter), np.log(line.bending_stiffness), 1)
        power.append(fit[0])
        solid = line.linear_density / line.diameter**2
        step.append(np.abs(np.diff(np.log(solid))).max() > 0.15)
    assert min(power) < 2.2 and max(power) > 3.8
    assert 0.25 < np.mean(step) < 0.65


def test_laws_lie_beyond_the_stated_ones() -> None:
    """Normal drag to 40 % either way, damping to four times: a third and more beyond half that."""
    rng = np.random.default_rng(0)
    laws = [wide_law(rng) for _ in range(400)]
    drag = np.array([law.drag_normal for law in laws])
    damping = np.array([law.damping_time for law in laws]) / 2e-3
    assert drag.min() >= 0.6 and drag.max() <= 1.4
    assert damping.min() >= 0.25 and damping.max() <= 4.0
    assert 0.4 < np.mean(np.abs(drag - 1) > 0.2) < 0.6
    assert 0.4 < np.mean(np.abs(np.log(damping)) > np.log(2)) < 0.6
