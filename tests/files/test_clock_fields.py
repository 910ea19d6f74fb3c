"""Events that a camera or a microphone shares with the lab clock, read from a trial's files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lashwave.files.trial_folder import read_trial
from lashwave.quantities.errors import InputError
from lashwave.quantities.events import Event, tied
from lashwave.quantities.sightings import Clock
from lashwave.workbench.cli import main
from tests.files.test_located import FILES, TRIAL

CLOCK = 'clock = { offset = "0 s", offset_sd = "1 ms" }\n'
EVENT = '[[cameras.events]]\nwhat = "a spark"\ntime = "0.101 s"\ntime_sd = "1 ms"\nframe = 2000\n'
HEARD = '[[microphones.events]]\ntime = "0.5 s"\ntime_sd = "30 us"\nat = "0.2 s"\nat_sd = "40 us"\n'


def put(folder: Path, camera: str = "", microphone: str = "") -> Path:
    for name, text in FILES.items():
        (folder / name).write_text(text)
    text = TRIAL.replace("[cameras.stations]", f"{camera}[cameras.stations]") + microphone
    (folder / "trial.toml").write_text(text)
    return folder


def test_an_event_and_the_stated_clock_are_weighed_by_their_variances(tmp_path: Path) -> None:
    # Inverse-variance weighting (JCGM 100, 5.1 and the weighted mean): 0 and 1 ms of 1 ms each.
    trial = read_trial(put(tmp_path, CLOCK + EVENT))
    clock = trial.cameras[0].clock
    assert clock.offset == pytest.approx(0.5e-3, rel=1e-3)  # frame 2000 of 20 kHz is 0.1 s
    assert clock.offset_sd == pytest.approx(np.sqrt(0.5) * 1e-3, rel=1e-3)
    assert any("by 1 shared event and the stated" in note for note in trial.notes)


def test_without_a_stated_clock_the_event_is_all(tmp_path: Path) -> None:
    trial = read_trial(put(tmp_path, EVENT, HEARD))
    frame_sd = 0.3 / 20e3
    assert trial.cameras[0].clock.offset == pytest.approx(1e-3, abs=1e-12)
    assert trial.cameras[0].clock.offset_sd == pytest.approx(np.hypot(1e-3, frame_sd))
    microphone = trial.microphones[0]
    assert microphone.clock_offset == pytest.approx(0.3)
    assert microphone.clock_offset_sd == pytest.approx(50e-6)  # 3, 4, 5


def test_a_contradiction_is_said_in_one_line_and_widens(tmp_path: Path, capsys) -> None:
    far = EVENT.replace("0.101 s", "0.131 s")
    trial = read_trial(put(tmp_path, CLOCK + far))
    (note,) = [n for n in trial.notes if "contradict" in n]
    assert "\n" not in note and "camera tip-view" in note
    # 0 and 31 ms lie 15.5 ms from their mean: with one to spare Birge's ratio makes that the sd.
    assert trial.cameras[0].clock.offset_sd == pytest.approx(15.5e-3, rel=1e-3)
    (tmp_path / "mic1.wav").unlink()
    (tmp_path / "mic1.wav").write_bytes(b"RIFF")
    assert main(["check", str(tmp_path)]) in (0, 2)  # few markers; what matters is that it is told
    assert "contradict" in capsys.readouterr().out


@pytest.mark.parametrize(
    "camera, says",
    [
        (EVENT.replace("frame = 2000", "frame = -1"), "events[0].frame"),
        (EVENT.replace('time_sd = "1 ms"\n', ""), "events[0].time_sd"),
        (EVENT.replace('"1 ms"', '"1 mm"'), "events[0].time_sd"),
        (EVENT.replace('"1 ms"', '"0 s"'), "events[0].time_sd"),
        (EVENT.replace("frame =", "at ="), "events[0].at"),
        (EVENT.replace("frame = 2000", "frame = nan"), "events[0].frame"),
    ],
)
def test_a_bad_event_is_one_line_with_its_field(
    tmp_path: Path, capsys, camera: str, says: str
) -> None:
    with pytest.raises(InputError, match="cameras"):
        read_trial(put(tmp_path, camera))
    assert main(["check", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    first, *more = said.splitlines()
    assert says in first and "line" in first
    # another name for the frame leaves the frame missing too
    assert more == [] if "frame" in says or "time" in says else "frame: is missing" in more[0]


def test_many_events_find_offset_and_leave_the_drift_in_its_deviation() -> None:
    """Coverage by simulation: Mahalanobis squares of mean 1 over independent clocks."""
    rng, z = np.random.default_rng(3), []
    for _ in range(400):
        offset, drift = rng.normal(0.2, 1e-3), rng.normal(0.0, 20e-6)
        own = rng.uniform(0.0, 30.0, 4)
        times = offset + (1.0 + drift) * own + rng.normal(0.0, 1e-4, 4)
        events = [Event(t, 8e-5, o, 6e-5) for t, o in zip(times, own, strict=True)]
        found = tied(events, 20e-6, Clock(0.2, 1e-3))
        z.append((found.clock.offset - offset) / found.clock.offset_sd)
    assert np.mean(np.square(z)) == pytest.approx(1.0, abs=3.3 * np.sqrt(2 / 400))
