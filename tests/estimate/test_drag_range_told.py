"""A fit whose line moves beyond what drag was measured at says so, and from when on."""

from types import SimpleNamespace

import numpy as np
import pytest

from lashwave.estimate import diagnosis

# Dry air at 15 degrees C, 101.325 kPa (ICAO standard atmosphere): density, viscosity, sound.
AIR = (1.225, 1.789e-5, 340.3)


@pytest.mark.parametrize(("along", "across", "told"), [(0.0, 300.0, True), (300.0, 5.0, False)])
def test_the_speed_across_counts_and_the_grip_does_not(monkeypatch, along, across, told) -> None:
    """Link 0 is the grip, as fast as it likes; links lie along x, the tip's passes at 0.2 s."""
    time = np.array([0.1, 0.2, 0.3])
    velocity = np.zeros((3, 3, 3))
    velocity[:, 0, 1] = 3000.0
    velocity[1, 1] = velocity[1, 2] = [along, across, 0.0]
    monkeypatch.setattr(diagnosis, "moving", lambda *_: SimpleNamespace(velocity=velocity))
    chain = SimpleNamespace(handle_links=1, diameter=np.array([0.02, 1e-3]))
    setup = SimpleNamespace(chain=chain, air=AIR)
    path = SimpleNamespace(time=time, direction=np.tile([1.0, 0.0, 0.0], (3, 2, 1)))
    said = diagnosis.drag_warnings(setup, SimpleNamespace(path=path, density=None))
    assert bool(said) == told
    assert not told or "0.2000 s" in said[0]


def test_a_fit_passes_it_on(monkeypatch) -> None:
    for name, value in (("distrust", (0.0, 0.0)), ("few_seen", []), ("_clock_warnings", [])):
        monkeypatch.setattr(diagnosis, name, lambda *_, value=value: value)
    monkeypatch.setattr(diagnosis, "drag_warnings", lambda *_: ("air drag: beyond",))
    line = SimpleNamespace(axial_stiffness=None)
    setup = SimpleNamespace(
        trial=SimpleNamespace(line=line), stiffness=SimpleNamespace(guessed=False)
    )
    nothing = SimpleNamespace(camera={})
    joint = SimpleNamespace(
        seen=nothing, weights=nothing, converged=True, clock_warnings=(), stand_off=0.0
    )
    assert diagnosis.warnings_of(setup, joint) == ("air drag: beyond",)
