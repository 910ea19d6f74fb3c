"""The register against what the code ships and what the documents say; no answer goes without."""

import json
import re
import runpy
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from lashwave.answers import answer, moments_of, register
from lashwave.emission import fronts_and_sounds as sent, sound_delays
from lashwave.files.results import summary
from lashwave.quantities.sightings import Fronts, Onset
from lashwave.quantities.trial import Microphone

ROOT = Path(__file__).parents[2]
STATION = np.linspace(0.0, 2.0, 11)
# Names that the contract of the answer files promises, of docs/trial-folder.md.
PROMISED = {
    "speed_of_sound",
    "peak_tip_speed",
    "peak_tip_speed_time",
    "peak_tip_mach",
    "peak_tip_speed_100us",
    "peak_speed",
    "sonic_time",
    "sonic_station",
    "extension_at_sonic",
    "full_extension_time",
    "peak_grip_tension",
    "hand_impulse",
    "hand_work",
    "peak_kinetic_energy",
    "clock_offset:CAMERA",
    "registration_u:CAMERA",
    "registration_v:CAMERA",
    "drag_normal",
    "drag_slope",
    "drag_tangential",
    "drag_tuft",
    "stiffness_scale",
    "damping_time",
}


@pytest.fixture
def shipped(imposed, monkeypatch):
    """The quantities of summary.json and the lists of answers.nc, of a trial that has everything:
    rods that pass the speed of sound, a camera with fronts and tuft, microphones with onsets."""
    time = np.linspace(0.0, 0.5, 126)
    rate = 190.0 * np.sin(np.pi * time / 0.5) ** 2
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(time))])
    motions = [imposed.rod(time, STATION, angle * f, rate * f) for f in (0.99, 1.0, 1.01, 1.02)]
    fit = imposed.fit(
        imposed.draws(time, STATION, *(np.stack(p) for p in zip(*motions, strict=True)))
    )
    trial = imposed.trial()
    fronts = Fronts(np.array([0]), np.array([0]), np.zeros((1, 2)), np.ones(1))
    ears = tuple(
        Microphone(f"{n}.wav", np.array([x, 0.0, 0.0]), 1e-2, 0.0, 1e-4, n)
        for n, x in (("a", 9.0), ("b", -9.0))
    )
    trial = replace(
        trial,
        cameras=(replace(trial.cameras[0], fronts=fronts),),
        microphones=ears,
        onsets=tuple(Onset(m.label, 0.3, 1e-4, 0.1, 1e-3) for m in ears),
    )
    moments = moments_of(trial, fit)
    few = np.full(4, 0.3)
    born = SimpleNamespace(time=few, station=few, delay=0.0 * few)
    monkeypatch.setattr(sound_delays, "_leads", lambda draws, *_: np.zeros(draws.position.shape[0]))
    monkeypatch.setattr(sent, "flanks_of", lambda *_: (0,))
    monkeypatch.setattr(sent, "birth_of", lambda *_: (born, []))
    more, births, _ = sent.emitted(trial, fit.draws, moments)
    answers, lists, _ = answer(trial, fit, moments, births)
    record = summary(fit, answers | more, trial, {"program_version": "", "options": "{}"})
    return json.loads(json.dumps(record, allow_nan=False))["quantities"], lists


def test_every_answer_that_is_shipped_has_a_definition_and_its_unit(shipped):
    quantities, lists = shipped
    for name, found in quantities.items():
        entry = register.entry(name)
        assert entry is not None and not entry.over, name
        assert found["unit"] == entry.unit, name
    for name, found in lists.data_vars.items():
        entry = register.entry(name)
        assert entry is not None and register.listed(entry) == found.dims, name
        assert found.attrs["units"] == entry.unit, name
        assert entry.definition.rstrip(".") in found.attrs["long_name"], name


def test_the_register_holds_nothing_that_is_not_shipped(shipped):
    quantities, lists = shipped
    found = {register.entry(name).name for name in [*quantities, *lists.data_vars]}
    assert found == {entry.name for entry in register.entries()}
    single = {register.entry(name).name for name in quantities}
    assert single == {entry.name for entry in register.entries() if not entry.over}


def test_the_promised_names_are_there():
    assert {e.name for e in register.entries() if not e.over} >= PROMISED


def test_the_documents_hold_the_register_as_it_is():
    page = (ROOT / "docs" / "answers.md").read_text(encoding="utf-8")
    written = runpy.run_path(str(ROOT / "docs" / "write_register.py"))["written"]
    assert page == written(page), "run `python docs/write_register.py`"
    tables = page.split("<!--")[1]
    rows = re.findall(r"^\| `([^`]+)` \| ([^|]+) \| ([^|]+) \|", tables, flags=re.MULTILINE)
    listed = {name: unit for name, unit, _ in rows}
    for entry in register.entries():
        assert listed[entry.name] == entry.unit
        assert entry.definition.endswith(".") and len(entry.definition) > 12


def test_a_name_without_an_entry_has_none():
    assert register.entry("peak_nonsense") is None
    assert register.entry("peak_tip_speed_low") is None  # no list, so no band
    assert register.entry("clock_offset") is None  # of no camera
    with pytest.raises(KeyError):
        register.attributes("peak_tip_speed")


def test_one_word_for_a_bend_along_the_line_and_one_for_a_shock_in_the_air():
    # the contract: "A bend runs along the line, a shock through the air: no name serves both."
    names = [e.name for e in register.entries()]
    assert not [n for n in names if "front" in n or "wave" in n]
