"""Which problem a second search has; sweep and fit stand in by hand."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from lashwave.estimate import Options, fusion, long_search, set_up
from tests.workbench.small_throw import small_throw


@pytest.fixture
def searched(monkeypatch):
    """Links of each search that was made, where every fit is doubtful."""
    links = []

    def fit(setup, *rest):
        links.append(setup.chain.links)
        return SimpleNamespace(stand_off=0.0)

    def swept(setup, *rest):
        return None, SimpleNamespace(marker=np.ones(setup.trial.markers.sd.shape))

    monkeypatch.setattr(fusion, "joint_fit", fit)
    monkeypatch.setattr(fusion, "sweep", swept)
    monkeypatch.setattr(fusion, "implausibility", lambda setup, joint: 1.0)
    return links


def test_a_doubtful_fit_is_sought_again_with_more_links(searched):
    fusion.solved(small_throw()[0], Options(most_links=24))
    assert len(searched) == 2 and searched[1] > searched[0]


def test_the_windows_of_a_record_keep_their_links(searched, monkeypatch):
    """The first one too, whose links all that follow go on with."""
    trial = small_throw()[0]
    setup = set_up(trial, Options(most_links=24))
    monkeypatch.setattr(long_search, "_kept_of", lambda *given: None)
    jumps = np.zeros(trial.markers.sd.shape, dtype=bool)
    end = float(trial.markers.time[-1])
    long_search._sought_window(
        setup, replace(trial), jumps, None, end, True, lambda stage, share: None
    )
    assert searched == [setup.chain.links] * 2
