"""WAV files of scipy, of the standard library, of a hand; and real ones with real defects."""

from __future__ import annotations

import struct
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from hypothesis.extra import numpy as hnp
from scipy.io import wavfile

from lashwave.files.wav import read_wav, write_wav
from lashwave.quantities.errors import InputError

RECORDINGS = Path(__file__).parents[3] / "shared" / "data" / "audio_impulsive"
needs_recordings = pytest.mark.skipif(not RECORDINGS.exists(), reason="shared data are elsewhere")


def chunk(kind: bytes, body: bytes, length: int | None = None) -> bytes:
    pad = b"\0" * (len(body) % 2)
    return kind + struct.pack("<I", len(body) if length is None else length) + body + pad


def form(
    code: int = 1, channels: int = 2, rate: int = 48000, bits: int = 16, block: int = 0
) -> bytes:
    block = block or channels * bits // 8
    flow = rate * block % 2**32
    return chunk(b"fmt ", struct.pack("<HHIIHH", code, channels, rate, flow, block, bits))


def riff(*chunks: bytes, length: int | None = None) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body) if length is None else length) + body


def noise(count: int = 500, channels: int = 3) -> np.ndarray:
    return np.random.default_rng(1).uniform(-1, 1, (count, channels))


@settings(max_examples=30, deadline=None)
@given(
    bits=st.sampled_from([16, 24, 32]),
    data=st.data(),
    shape=st.tuples(st.integers(1, 50), st.integers(1, 5)),
)
def test_pcm_goes_round_exactly(
    tmp_path_factory: pytest.TempPathFactory, bits: int, data: st.DataObject, shape: tuple
) -> None:
    full = 2 ** (bits - 1)
    counts = data.draw(hnp.arrays(np.int64, shape, elements=st.integers(-full, full - 1)))
    path = tmp_path_factory.mktemp("wav") / "a.wav"
    write_wav(path, counts / full, 48000, bits)
    sound = read_wav(path, "a.wav")
    assert (sound.rate, sound.step) == (48000.0, 1 / full)
    np.testing.assert_array_equal(sound.samples * full, counts)


def test_floating_point_goes_round_exactly(tmp_path: Path) -> None:
    samples = noise() * 3.0
    write_wav(tmp_path / "a.wav", samples, 96000, 64)
    sound = read_wav(tmp_path / "a.wav", "a.wav")
    np.testing.assert_array_equal(sound.samples, samples)
    assert (sound.rate, sound.step, sound.channels) == (96000.0, 0.0, 3)


@pytest.mark.parametrize("kind", [np.int16, np.int32, np.float32, np.float64])
def test_files_of_scipy(tmp_path: Path, kind: type) -> None:
    whole = np.issubdtype(kind, np.integer)
    full = 2.0 ** (8 * np.dtype(kind).itemsize - 1) if whole else 1.0
    samples = (noise() * (full - 1)).astype(kind)
    wavfile.write(tmp_path / "a.wav", 192_000, samples)
    sound = read_wav(tmp_path / "a.wav", "a.wav")
    np.testing.assert_array_equal(sound.samples, samples / full)
    assert sound.rate == 192_000


def test_24_bits_of_the_standard_library(tmp_path: Path) -> None:
    counts = np.array([[-(2**23), 2**23 - 1], [1, -1], [0, 123_456]])
    with wave.open(str(tmp_path / "a.wav"), "wb") as stream:
        stream.setparams((2, 3, 44100, 3, "NONE", ""))
        stream.writeframes(b"".join(int(v).to_bytes(3, "little", signed=True) for v in counts.flat))
    sound = read_wav(tmp_path / "a.wav", "a.wav")
    np.testing.assert_array_equal(sound.samples, counts / 2**23)


def test_what_is_written_is_read_by_scipy(tmp_path: Path) -> None:
    samples = 0.9 * noise()
    samples[:2, 0] = 1.5, -1.5  # cut at full scale, as a converter does
    write_wav(tmp_path / "a.wav", samples, 44100, 16)
    rate, counts = wavfile.read(tmp_path / "a.wav")
    assert (rate, counts.dtype) == (44100, np.int16)
    assert counts[:2, 0].tolist() == [2**15 - 1, -(2**15)]
    assert np.abs(counts / 2**15 - samples)[2:].max() <= 0.5 / 2**15


def test_an_extensible_header_and_chunks_between(tmp_path: Path) -> None:
    """WAVE_FORMAT_EXTENSIBLE (Microsoft, 2001) with 24 bits, an odd note before the samples."""
    guid = struct.pack("<H", 1) + bytes.fromhex("000000001000800000aa00389b71")
    body = struct.pack("<HHIIHHHHI", 0xFFFE, 1, 48000, 144000, 3, 24, 22, 24, 4) + guid
    samples = b"".join(v.to_bytes(3, "little", signed=True) for v in (1, -2, 3))
    data = riff(chunk(b"LIST", b"odd"), chunk(b"fmt ", body), chunk(b"data", samples))
    (tmp_path / "a.wav").write_bytes(data)
    sound = read_wav(tmp_path / "a.wav", "a.wav")
    np.testing.assert_array_equal(sound.samples[:, 0] * 2**23, [1, -2, 3])


SAMPLES = np.arange(200, dtype="<i2").tobytes()
BAD: dict[str, tuple[bytes, str]] = {
    "text": (b"hello" * 20, "not a WAV file"),
    "short": (b"RI", "not a WAV file"),
    "RF64": (b"RF64" + riff(form(), chunk(b"data", SAMPLES))[4:], "is RF64"),
    "no samples chunk": (riff(form()), "holds no samples"),
    "samples of none": (riff(form(), chunk(b"data", b"")), "holds no samples"),
    "no format": (riff(chunk(b"data", SAMPLES)), "samples before their format"),
    "short format": (riff(chunk(b"fmt ", b"\1\0\2\0"), chunk(b"data", SAMPLES)), "cut short"),
    "8 bits": (riff(form(bits=8), chunk(b"data", SAMPLES)), "kind 1 and 8 bits"),
    "ADPCM": (riff(form(code=2, bits=4, block=2), chunk(b"data", SAMPLES)), "kind 2 and 4 bits"),
    "12 bits": (riff(form(bits=12), chunk(b"data", SAMPLES)), "kind 1 and 12 bits"),
    "no channel": (riff(form(channels=0, block=2), chunk(b"data", SAMPLES)), "has 0 channels"),
    "odd blocks": (riff(form(block=3), chunk(b"data", SAMPLES)), "blocks of 3 bytes"),
    "no rate": (riff(form(rate=0), chunk(b"data", SAMPLES)), "states 0 samples a second"),
    "absurd rate": (riff(form(rate=2**31), chunk(b"data", SAMPLES)), "samples a second"),
    "cut": (riff(form(), chunk(b"data", SAMPLES))[:-100], "75 of 100 samples are there"),
    "stopped recorder, 0": (riff(form(), chunk(b"data", SAMPLES, 0)), "the recorder was stopped"),
    "stopped recorder, -1": (
        riff(form(), chunk(b"data", SAMPLES, 0xFFFFFFFF)), "holds 100 samples: the recorder",
    ),
    "a lie of 4 GB": (riff(form(), chunk(b"data", SAMPLES, 0xFFFFFFF0)), "100 of 1073741820"),
    "within a sample": (riff(form(), chunk(b"data", SAMPLES[:-2])), "ends within a sample"),
    "a chunk beyond the end": (riff(form(), chunk(b"LIST", b"", 10**6)), "is cut short"),
    "not a number": (
        riff(form(code=3, bits=32), chunk(b"data", np.float32([0, 0, 0, np.nan]).tobytes())),
        "sample 1: is not a finite number",
    ),
    "infinite": (
        riff(form(code=3, bits=64), chunk(b"data", np.array([np.inf, 0.0]).tobytes())),
        "sample 0: is not a finite number",
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", BAD)
def test_one_clear_line(
    tmp_path: Path, kind: str, capfd: pytest.CaptureFixture[str], recwarn: pytest.WarningsRecorder
) -> None:
    data, wanted = BAD[kind]
    (tmp_path / "a.wav").write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_wav(tmp_path / "a.wav", "mic1.wav")
    message = str(caught.value)
    assert message.startswith("mic1.wav, ") and wanted in message and "\n" not in message
    assert caught.value.remedy and caught.value.field
    assert capfd.readouterr() == ("", "") and not list(recwarn)


def test_a_header_that_lies_about_the_whole_is_no_matter(tmp_path: Path) -> None:
    """The length after RIFF is not needed: the chunks tell where the samples end."""
    (tmp_path / "a.wav").write_bytes(riff(form(), chunk(b"data", SAMPLES), length=0))
    assert read_wav(tmp_path / "a.wav", "a.wav").samples.shape == (100, 2)


@needs_recordings
def test_the_clipped_channel_of_a_real_array_is_found() -> None:
    """Channel 4 clips, as the data's SOURCE.md says; how often is counted here from scipy."""
    path = RECORDINGS / "array8_one_channel_clipped.wav"
    sound = read_wav(path, path.name)
    raw = wavfile.read(path)[1][:, 4].astype(int)
    assert sound.clipped.tolist() == [0, 0, 0, 0, int((abs(raw) >= 32767).sum()), 0, 0, 0]
    assert sound.clipped[4] > 100
    assert (sound.rate, sound.channels) == (44100, 8)
    assert not sound.bad.any()


@needs_recordings
@pytest.mark.parametrize("name", ["array8_second_event.wav", "wooden_boards_clap_room.wav"])
def test_sound_recordings_are_not_flagged(name: str) -> None:
    sound = read_wav(RECORDINGS / name, name)
    assert not sound.clipped.any() and not sound.bad.any()


@needs_recordings
def test_the_clap_is_as_documented() -> None:
    """SOURCE.md: 44.1 kHz, one channel, 1.000 s, peak 16379 at sample 80."""
    sound = read_wav(RECORDINGS / "wooden_boards_clap_room.wav", "a.wav")
    peak = int(np.argmax(np.abs(sound.samples[:, 0])))
    assert sound.samples.shape == (44100, 1) and peak == 80
    assert abs(sound.samples[peak, 0]) * 2**15 == 16379


def wavy(scale: float, period: float = 47.3) -> np.ndarray:
    return scale * np.sin(2 * np.pi * np.arange(20_000) / period)


def noisy(sound: np.ndarray) -> np.ndarray:
    return sound + np.random.default_rng(2).normal(0, 2e-3, sound.size)


FAULTS: dict[str, tuple[Callable[[], np.ndarray], str]] = {
    "clean": (lambda: wavy(0.8), ""),
    "slow, with rounded flat tops": (lambda: wavy(0.7, 20_000.0), ""),
    "quiet": (lambda: wavy(20 / 2**15), ""),
    "touches full scale": (lambda: wavy(1.0) / np.abs(wavy(1.0)).max(), ""),
    "cut at full scale": (lambda: wavy(1.5), "clipped"),
    "cut above": (lambda: np.minimum(noisy(wavy(0.8)), 0.5), "clipped"),
    "cut, then turned down": (lambda: 0.3 * np.clip(wavy(1.5), -1, 1), "clipped"),
    "silent": (lambda: np.zeros(5000), "dead"),
    "stuck": (lambda: np.full(5000, 0.25), "dead"),
    "one step of hum": (lambda: (np.arange(5000) % 2) / 2**15, "dead"),
    "off centre": (lambda: noisy(wavy(0.3)) + 0.3, "offset"),
    "gaps": (lambda: noisy(wavy(0.3)) * (np.arange(20_000) % 5000 > 300), "dropped"),
}


@pytest.mark.parametrize("bits", [16, 24, 64])
@pytest.mark.parametrize("kind", FAULTS)
def test_channels_are_flagged(tmp_path: Path, kind: str, bits: int) -> None:
    make, wanted = FAULTS[kind]
    spoilt = make()
    if bits == 64:
        spoilt = np.clip(spoilt, -1.0, 1.0)
        if kind == "one step of hum":
            pytest.skip("floating point has no step")
    if bits == 24 and kind == "one step of hum":
        spoilt = spoilt / 2**8
    good = noisy(wavy(0.5))[: spoilt.size]
    write_wav(tmp_path / "a.wav", np.stack([good, spoilt], axis=1), 48000, bits)
    sound = read_wav(tmp_path / "a.wav", "a.wav")
    flags = {
        "clipped": sound.clipped > 0,
        "dead": sound.dead,
        "dropped": sound.dropped > 0,
        "offset": (np.abs(sound.offset) > 0.1) & ~sound.dead,
    }
    assert {name for name, on in flags.items() if on[1]} == ({wanted} if wanted else set())
    assert not any(on[0] for on in flags.values())
    assert sound.bad.tolist() == [False, wanted in ("dead", "dropped", "offset")]
    if kind == "gaps":
        assert sound.dropped[1] == 4 * 301
