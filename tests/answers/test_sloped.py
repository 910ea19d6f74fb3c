"""The account's chain where how stiffness goes along the line was fitted."""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.answers.account import chain_of
from lashwave.mechanics.stiffness_sources import sloped

STATION = np.concatenate([[0.0], np.linspace(0.1, 1.0, 19)])


def test_a_slope_turns_the_stiffness_about_the_outer_half(imposed):
    """Half a power of the diameter more; the mean logarithm over the outer half stays."""
    trial = imposed.trial(length=1.0, handle=0.1)
    line = replace(
        trial.line,
        station=np.linspace(0.0, 1.0, 11),
        diameter=np.linspace(8e-3, 2e-3, 11),
        linear_density=np.linspace(4e-2, 3e-3, 11),
        bending_stiffness=None,
    )
    trial = replace(trial, line=line)
    chain = chain_of(trial, STATION)
    more = np.log(sloped(trial.line, chain, 0.5).bend[1:] / chain.bend[1:])
    size = np.interp(STATION[1:-1], line.station, np.log(line.diameter))
    assert more - more[0] == pytest.approx(0.5 * (size - size[0]))
    outer = np.log(line.diameter[5:]).mean()
    assert more == pytest.approx(0.5 * (size - outer))


def test_a_stated_stiffness_stays_as_it_is(imposed):
    trial = imposed.trial(length=1.0, handle=0.1)
    trial = replace(trial, line=replace(trial.line, bending_stiffness=np.array([1e-3, 1e-5])))
    chain = chain_of(trial, STATION)
    assert sloped(trial.line, chain, 0.5) is chain
