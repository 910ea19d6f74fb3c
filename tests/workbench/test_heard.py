"""Several microphones: the bench's pressure as WAV files, through `locate`, to place of birth."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tomlkit

from lashwave.answers import sound_in_air
from lashwave.emission.sound_delays import sounds_heard
from lashwave.files.trial_folder import read_trial
from lashwave.files.wav import write_wav
from lashwave.files.write_trial import write_trial
from lashwave.pipeline.health import cautions
from lashwave.quantities.fit import Draws
from lashwave.quantities.moments import SonicDraws
from lashwave.twin.instrument_setting import Setting
from lashwave.twin.pictures import take
from lashwave.workbench import bench_pictures
from lashwave.workbench.cli import main
from tests.twin.rigid import rigid_throw

REAL = Path(__file__).parents[3] / "shared" / "data" / "audio_impulsive"


@pytest.fixture(scope="module")
def taken():
    setting = Setting(frames=2, infrared=3, infrared_size=(64, 48), microphones=6)
    return take(*rigid_throw(), setting)


@pytest.fixture(scope="module")
def located(taken, tmp_path_factory):
    """The trial with its camera's points and the microphones' files, searched by the command."""
    folder = tmp_path_factory.mktemp("heard")
    fast = replace(taken.trial, cameras=rigid_throw()[0].cameras, microphones=())
    write_trial(folder / "trial", fast)
    tables = [bench_pictures._microphone(one) for one in taken.sound]
    for one in taken.sound:
        write_wav(folder / "trial" / f"{one.name}.wav", one.volts, int(one.hearing.rate), 16)
    with (folder / "trial" / "trial.toml").open("a", encoding="utf-8") as file:
        file.write("\n" + tomlkit.dumps({"microphones": tables}))
    out = folder / "out"
    assert main(["locate", str(folder / "trial"), "--out", str(out), "--quiet"]) == 0
    return read_trial(out)


def as_draws(truth, count: int = 4) -> Draws:
    """The true motion, twice a millimetre to either side."""
    path = truth.path
    shift = np.array([[1, 0, 0], [-1, 0, 0], [0, 0, 1], [0, 0, -1.0]])[:count] * 1e-3
    place = path.position + shift[:, None, None]
    flat = np.zeros((count, path.time.size))
    return Draws(
        path.time, path.station, place, np.broadcast_to(path.velocity, place.shape),
        np.zeros((*place.shape[:2], path.station.size - 1)), np.zeros((*flat.shape, 3)), flat,
        flat, {},
    )  # fmt: skip


def test_the_place_of_birth_is_the_first_sonic_one(taken, located):
    assert len(located.onsets) == 6
    truth = taken.truth
    time, station = truth.answers["sonic_time"], truth.answers["sonic_station"]
    place = truth.path.at(np.array([time]), np.array([station]))[0][0, 0]
    sonic = SonicDraws(np.full(4, time), np.full(4, station), np.full(4, station))
    answers, _ = sounds_heard(located, as_draws(truth), sonic, sound_in_air.speed(located.air))
    clock = taken.sound[0].true_offset - taken.sound[0].clock.offset  # known to 0.1 ms as stated
    off = [answers[f"sound_birth_{a}"].value - p for a, p in zip("xyz", place, strict=True)]
    assert np.linalg.norm(off) < 0.03
    # The recorder's clock (0.1 ms) is known here; what is left is the onsets' own.
    own = np.sqrt(answers["sound_birth_time"].sd ** 2 - 1e-8)
    assert own < 1e-4
    assert abs(answers["sound_birth_time"].value + clock - time) < 2 * own
    sd = np.array([answers[f"sound_birth_{a}"].sd for a in "xyz"])
    assert (np.abs(off) < 3 * sd).all() and sd.max() < 0.03
    # Where a front arrives, it does so when the moving tip sends it, not when a wavelet
    # from the sonic moment would.
    early = [answers[f"sound_delay:mic{k}"].value + clock for k in (1, 2, 4)]
    late = [answers[f"sound_shock_delay:mic{k}"].value + clock for k in (1, 2, 4)]
    assert max(early) < -20e-6 and min(early) < -200e-6
    assert np.abs(late).max() < 5e-6


def test_two_microphones_are_too_few_and_say_so(taken, located):
    few = replace(located, microphones=located.microphones[:2])
    sonic = SonicDraws(np.full(4, np.nan), np.full(4, np.nan), np.full(4, np.nan))
    answers, _ = sounds_heard(few, as_draws(taken.truth), sonic, sound_in_air.speed(located.air))
    for name in ("time", "x", "y", "z"):
        assert answers[f"sound_birth_{name}"].value is None
        assert "4 are needed" in answers[f"sound_birth_{name}"].reason
    one = replace(located, microphones=located.microphones[:1])
    assert not [
        n for n in sounds_heard(one, as_draws(taken.truth), sonic, (343.0, 0.3))[0] if "birth" in n
    ]


def test_an_onset_of_another_event_is_left_out(taken, located):
    truth = taken.truth
    wrong = replace(located.onsets[3], time=located.onsets[3].time + 8e-3)  # 2.7 m of way
    trial = replace(located, onsets=(*located.onsets[:3], wrong, *located.onsets[4:]))
    time, station = truth.answers["sonic_time"], truth.answers["sonic_station"]
    sonic = SonicDraws(np.full(4, time), np.full(4, station), np.full(4, station))
    _, warnings = sounds_heard(trial, as_draws(truth), sonic, sound_in_air.speed(located.air))
    assert any(f"microphone {wrong.microphone}" in w and "left out" in w for w in warnings)


def test_peaks_are_in_pascal_and_held_against_the_rules(taken, located):
    answers = sound_in_air.peaks(located)
    loud = taken.sound[0]
    peak = np.abs(loud.volts).max() / loud.hearing.sensitivity
    level = answers["sound_peak_level:mic1"]
    # 20 log10(p / 20 uPa); 94 dB is 1.0024 Pa.
    assert answers["sound_peak_pressure:mic1"].value == pytest.approx(peak, rel=0.01)
    assert level.value == pytest.approx(93.98 + 20 * np.log10(peak), abs=0.1)
    said = " ".join(cautions(located))
    # Limits at the ear: 140 dB(C) (Directive 2003/10/EC, Art. 3), 130 dB(C) in Norway.
    assert level.value > 140.0 and "2003/10/EC" in said and "under the peak" not in said

    def at(decibels: float, clipped: bool = False) -> str:
        """What is said where the first microphone's peak is so loud."""
        gain = 10 ** ((decibels - level.value) / 20)
        first = located.onsets[0]
        turned = replace(first, peak=first.peak * gain, clipped=clipped)
        return " ".join(cautions(replace(located, onsets=(turned,))))

    assert "Norway's limit" in at(132.0) and "2003/10/EC" not in at(132.0)
    assert "2003/10/EC" in at(136.0)
    assert "under the peak values" in at(128.0) and "Wear" not in at(128.0)
    assert "It is not known" in at(128.0, True) and "under the peak" not in at(128.0, True)
    assert "Norway's limit" in at(132.0, True) and "It is not known" not in at(132.0, True)
    cut = replace(located, onsets=tuple(replace(o, clipped=True) for o in located.onsets))
    none = sound_in_air.peaks(cut)["sound_peak_level:mic1"]
    assert none.value is None and "at least" in none.reason


@pytest.mark.skipif(not REAL.exists(), reason="shared data are elsewhere")
def test_real_recordings_go_through_the_command(taken, tmp_path, capsys):
    """audio_impulsive/SOURCE.md: eight channels, the fifth clips, peaks differ by up to 30 dB."""
    fast = replace(taken.trial, cameras=rigid_throw()[0].cameras, microphones=())
    write_trial(tmp_path / "trial", fast)
    shutil.copy(REAL / "array8_one_channel_clipped.wav", tmp_path / "trial" / "array.wav")
    shutil.copy(REAL / "wooden_boards_clap_room.wav", tmp_path / "trial" / "clap.wav")
    rows = [
        f'[[microphones]]\nname = "c{k}"\nfile = "array.wav"\nchannel = {k}\n'
        f"position = [{0.1 * k}, 0.0, 0.0]\n"
        for k in range(1, 9)
    ]
    rows.append(
        '[[microphones]]\nfile = "clap.wav"\nposition = [1.0, 0, 0]\nsensitivity = "3.9 mV/Pa"\n'
        'full_scale = "2 V"\n'
    )
    with (tmp_path / "trial" / "trial.toml").open("a", encoding="utf-8") as file:
        file.write("\n".join(["", *rows]))
    out = tmp_path / "out"
    assert main(["locate", str(tmp_path / "trial"), "--out", str(out), "--json", "--quiet"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert any("c5" in n and "clipped: 114" in n for n in told["notes"])
    assert any("No sensitivity is given" in n for n in told["notes"])
    # SOURCE.md: the peak is 16379 at sample 80 of int16, at a full scale of 2 V.
    level = sound_in_air.peaks(read_trial(out))["sound_peak_level:clap.wav"]
    pressure = 16379 / 32768 * 2.0 / 3.9e-3
    assert level.value == pytest.approx(20 * np.log10(pressure / 20e-6), abs=0.02)
    assert 0.0 <= told["onsets"]["clap.wav"]["time"] < 80 / 44100  # it starts with the clap
