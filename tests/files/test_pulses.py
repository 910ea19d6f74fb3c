"""Trigger, frame and strobe pulses on an analog channel of a C3D file written by another tool."""

from __future__ import annotations

from pathlib import Path

import c3d
import ezc3d
import numpy as np
import pytest

from lashwave.files.c3d_analog import read_analog
from lashwave.files.trial_folder import read_trial
from lashwave.files.write_trial import write_trial
from lashwave.workbench.cli import main
from tests.files.test_located import FILES, TRIAL

SAMPLES = Path(__file__).parents[3] / "shared" / "data" / "c3d_samples"
needs_samples = pytest.mark.skipif(
    not SAMPLES.is_dir(), reason="the recorded C3D samples are not on this machine"
)
RATE, FAST, COUNT = 500.0, 10_000.0, 250
TRIGGER = 0.12342
FRAMES_RATE, FIRST = 1001.37, 0.0507


def pulses(times: np.ndarray, width: float) -> np.ndarray:
    """5 V for `width` from each of the times, with 20 mV of noise, at the channel's samples."""
    at = np.arange(int(COUNT * FAST / RATE)) / FAST
    high = ((at >= times[:, None]) & (at < times[:, None] + width)).any(axis=0)
    return 5.0 * high + 0.02 * np.random.default_rng(0).standard_normal(at.size)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in FILES.items():
        (tmp_path / name).write_text(text)
    made = ezc3d.c3d()
    point, analog = made["parameters"]["POINT"], made["parameters"]["ANALOG"]
    point["RATE"]["value"], point["LABELS"]["value"] = [RATE], ["M1", "M2"]
    point["UNITS"]["value"] = ["m"]
    places = np.ones((4, 2, COUNT))
    places[0, 1] = 0.2
    made["data"]["points"] = places
    analog["RATE"]["value"] = [FAST]
    analog["LABELS"]["value"] = ["Force", "Trigger", "Sync", "Lamp"]
    frames = FIRST + np.arange(300) / FRAMES_RATE
    lamp = 0.01 + np.arange(30) / 61.3
    channels = [
        np.full(int(COUNT * FAST / RATE), 1.25),
        pulses(np.array([TRIGGER]), 2e-3),
        pulses(frames, 4e-4),
        pulses(lamp, 1e-3),
    ]
    made["data"]["analogs"] = np.stack(channels)[None]
    made.write(str(tmp_path / "markers.c3d"))
    return tmp_path


def describe(folder: Path, pulses: str, rate: str = "1 kHz", clock: str = "") -> Path:
    text = TRIAL.replace("markers.csv", "markers.c3d").replace("20 kHz", rate)
    text = text.replace("[cameras.stations]", f"{clock}[[cameras.pulses]]\n{pulses}\n[cameras.st")
    (folder / "trial.toml").write_text(text.replace("[cameras.st\n", "[cameras.stations]\n"))
    return folder


def test_a_trigger_sets_the_clock_to_a_sample_of_its_channel(folder: Path) -> None:
    trial = read_trial(describe(folder, 'what = "trigger"\nchannel = "Trigger"\nframe = 100'))
    clock = trial.cameras[0].clock
    # The edge lies between two samples: half of 100 us at most, 1 / sqrt(12) of it as a deviation.
    assert abs(clock.offset - (TRIGGER - 0.1)) <= 0.5 / FAST + 1e-9
    assert clock.offset_sd == pytest.approx(1.0 / FAST / np.sqrt(12.0), rel=1e-6)
    assert any("the trigger came at 0.1234" in note for note in trial.notes)


@pytest.mark.parametrize("edge, late", [("rising", 0.0), ("falling", 4e-4), ("middle", 2e-4)])
def test_pulses_of_all_frames_give_offset_and_rate(folder: Path, edge: str, late: float) -> None:
    camera = read_trial(
        describe(folder, f'what = "frames"\nchannel = "Sync"\nedge = "{edge}"')
    ).cameras[0]
    assert camera.rate == pytest.approx(FRAMES_RATE, rel=3e-5)
    # 300 edges whose phases sweep through the channel's samples: their mean is known to 6 us.
    assert abs(camera.clock.offset - FIRST - late) < 3.0 * camera.clock.offset_sd
    assert camera.clock.offset_sd < 1e-5


def test_a_lamps_flashes_take_the_place_of_the_marker_systems(folder: Path) -> None:
    trial = read_trial(describe(folder, 'what = "flashes"\nchannel = "Lamp"\nedge = "middle"'))
    camera = trial.cameras[0]
    assert camera.flash_times is not None
    np.testing.assert_allclose(camera.flash_times, 0.0105 + np.arange(30) / 61.3, atol=1.0 / FAST)
    write_trial(folder / "again", trial)
    again = read_trial(folder / "again").cameras[0]
    np.testing.assert_allclose(again.strobe(trial.markers.time), camera.flash_times, atol=1e-9)


def test_a_stated_clock_that_contradicts_the_trigger_is_said(folder: Path) -> None:
    clock = 'clock = { offset = "1 s", offset_sd = "1 ms" }\n'
    trial = read_trial(describe(folder, 'what = "trigger"\nchannel = "Trigger"', clock=clock))
    assert any("contradict" in note for note in trial.notes)


@pytest.mark.parametrize(
    "pulses, says",
    [
        ('what = "trigger"\nchannel = "Triger"', "no analog channel 'Triger'"),
        ('what = "trigger"\nchannel = "Force"', "has no edge"),
        ('what = "frames"\nchannel = "Trigger"', "holds 1 pulse"),
        ('what = "frames"\nchannel = "Lamp"', "pulses at 61.3"),
        ('what = "trigger"\nchannel = "Trigger"\nlevel = "7 V"', "has no edge"),
        ('what = "trigger"\nchannel = "Trigger"\nfile = "line.csv"', "is no C3D file"),
        ('what = "start"\nchannel = "Trigger"', "unknown"),
    ],
)
def test_bad_pulses_are_one_line(folder: Path, capsys, pulses: str, says: str) -> None:
    describe(folder, pulses)
    assert main(["check", str(folder)]) == 2
    said = capsys.readouterr().err
    assert says in said and said.count("\n") == 1


@needs_samples
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    "name, channel",
    [
        *[(f"std_{m}_{k}", "FX1") for m in ("intel", "dec", "mips") for k in ("int", "real")],
        ("first_frame_91_250hz", "Fx"),  # offsets without a sign
        ("gaps_70pct", "F1X"),
        ("parameter_overflow", "PF1Fx"),
    ],
)
def test_channels_of_real_files_are_as_another_reader_has_them(name: str, channel: str) -> None:
    path = SAMPLES / f"{name}.c3d"
    with path.open("rb") as stream:
        theirs = np.concatenate([f[2][0] for f in c3d.Reader(stream).read_frames()])
    ours = read_analog(path, path.name, channel)
    np.testing.assert_allclose(ours.values, theirs, atol=1e-3)
    if name == "first_frame_91_250hz":
        assert ours.start == pytest.approx(90 / 250) and ours.rate == 1000.0
