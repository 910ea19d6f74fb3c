"""What an installation compiles is all that a first trial needs."""

from __future__ import annotations

import sys
from dataclasses import replace

from numba.extending import is_jitted

from lashwave.estimate import Options
from lashwave.pipeline import reconstruct_trial
from lashwave.twin import make
from lashwave.workbench import prepare


def compiled() -> dict[str, list[object]]:
    """The kinds of arguments that each kernel of the program has code for."""
    return {
        f"{name}.{word}": list(kernel.signatures)
        for name, module in list(sys.modules.items())
        if name.startswith("lashwave.")
        for word, kernel in list(vars(module).items())
        if is_jitted(kernel)
    }


def test_a_first_trial_compiles_nothing_more():
    whole = make(3, "throw")[0]
    prepare.fit()
    before = compiled()
    assert any(before.values())
    m = whole.markers
    few = replace(m, time=m.time[:60], position=m.position[:60], sd=m.sd[:60])
    coarse = Options(draws=10, spacing_butt=0.3, spacing_tip=0.2, spacing_clamp=0.1)
    reconstruct_trial(replace(whole, markers=few, onsets=()), options=coarse)
    assert {name: kinds for name, kinds in compiled().items() if kinds != before[name]} == {}
