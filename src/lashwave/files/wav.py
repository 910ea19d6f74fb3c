"""WAV files: samples of every channel in units of full scale, and which channels to distrust.

The format is RIFF/WAVE (IBM and Microsoft, Multimedia Programming Interface and Data
Specifications 1.0, 1991) with WAVE_FORMAT_EXTENSIBLE. The sizes in a header are checked against
the file, since a recorder that was stopped leaves them wrong; scipy's reader takes them on trust.
"""

from __future__ import annotations

import struct
import wave
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lashwave.files.swap import replace_file
from lashwave.quantities import Array, InputError, Sound, counted

LARGEST = 1 << 28
"""Samples of all channels that are read at once: 2 GB of them."""
SLOWEST, FASTEST = 1_000, 10_000_000
"""Rates of microphones [Hz]."""
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_KINDS = {(_PCM, 16), (_PCM, 24), (_PCM, 32), (_FLOAT, 32), (_FLOAT, 64)}
_READ = "save it as WAV of 16, 24 or 32 bit, or floating point"
_FLAT = 3
"""Equal samples at a channel's extreme that make a flat top."""
_QUIET = 64
"""Steps: a channel that never goes so far has flat tops by rounding alone."""
_STILL = 64
"""Equal samples on end that no live channel has, unless it is about as quiet as one step."""


@dataclass(frozen=True)
class _Format:
    code: int
    channels: int
    rate: int
    bits: int
    start: int = 0
    """Where the samples stand in the file [bytes]."""
    count: int = 0
    """Samples of one channel."""


def read_wav(path: Path, name: str) -> Sound:
    """A WAV file: PCM of 16, 24 or 32 bits or floating point of 32 or 64, any channels.

    Parameters
    ----------
    path : the file; name : what it is called in messages.

    Raises
    ------
    InputError
        For what is no WAV, another kind of sample, sizes that the file does not hold, no samples,
        more than `LARGEST`, and values that are not finite.
    """
    try:
        form = _check(path, name)
        raw = _samples(path, form)
    except OSError as error:
        problem = f"cannot be read ({error.strerror})"
        raise _fault(name, problem, "see that it may be read", "data") from None
    if form.code == _FLOAT:
        samples, step = raw.astype(np.float64), 0.0
        finite = np.isfinite(samples).all(axis=1)
        if not finite.all():
            where = int(np.argmin(finite))
            raise _fault(name, "is not a finite number", "export it again", f"sample {where}")
    else:
        full = 2.0 ** (form.bits - 1)
        samples, step = raw / full, 1.0 / full
    return Sound(samples, float(form.rate), step, *_health(samples, step))


def write_wav(path: Path, samples: Array, rate: int, bits: int = 24) -> None:
    """Write samples, fractions of full scale [1], whole or not at all.

    Parameters
    ----------
    samples : (N, C) or (N,). PCM is rounded to the nearest step and cut at full scale, as a
        converter does.
    bits : 16, 24 or 32 for PCM; 64 for floating point.

    Raises ValueError for a number of bits that is not written.
    """
    samples = np.asarray(samples, dtype=np.float64)
    samples = samples[:, None] if samples.ndim == 1 else samples
    if bits == 64:
        from scipy.io import wavfile

        replace_file(path, lambda aside: wavfile.write(aside, rate, samples))
        return
    if bits not in (16, 24, 32):
        raise ValueError(f"{bits} bits are not written")
    full = 2.0 ** (bits - 1)
    counts = np.clip(np.rint(samples * full), -full, full - 1).astype("<i4")
    data = counts[..., None].view(np.uint8)[..., : bits // 8]

    def fill(aside: Path) -> None:
        with wave.open(str(aside), "wb") as stream:
            stream.setparams((samples.shape[1], bits // 8, rate, samples.shape[0], "NONE", ""))
            stream.writeframes(data.tobytes())

    replace_file(path, fill)


def _fault(name: str, problem: str, remedy: str, field: str) -> InputError:
    return InputError(name, problem, remedy, field=field)


def _check(path: Path, name: str) -> _Format:
    """Walk the chunks as far as the samples; refuse a header that the file does not bear out."""
    size = path.stat().st_size
    with path.open("rb") as stream:
        start = stream.read(12)
        if start[:4] != b"RIFF" or start[8:12] != b"WAVE":
            kind = "RF64" if start[:4] == b"RF64" else "not a WAV file"
            raise _fault(name, f"is {kind}", _READ, "header")
        form = None
        while len(head := stream.read(8)) == 8:
            kind, length = struct.unpack("<4sI", head)
            left = size - stream.tell()
            if kind == b"data":
                if form is None:
                    raise _fault(name, "has samples before their format", "export it again", "fmt")
                return _check_data(name, form, length, stream.tell(), left)
            if length > left:
                raise _fault(name, "is cut short", "export it again", "header")
            if kind == b"fmt ":
                form = _format(name, stream.read(length))
                length = 0 if length % 2 == 0 else 1
            else:
                length += length % 2
            stream.seek(length, 1)
    raise _fault(name, "holds no samples", "record it again", "data")


def _format(name: str, body: bytes) -> _Format:
    if len(body) < 16:
        raise _fault(name, "has a format that is cut short", "export it again", "fmt")
    code, channels, rate, _, block, bits = struct.unpack("<HHIIHH", body[:16])
    if code == _EXTENSIBLE and len(body) >= 26:
        code = struct.unpack("<H", body[24:26])[0]
    if (code, bits) not in _KINDS:
        raise _fault(name, f"has samples of kind {code} and {bits} bits", _READ, "fmt")
    if not 1 <= channels <= 1024 or block != channels * bits // 8:
        problem = f"has {counted(channels, 'channel')} in blocks of {block} bytes"
        raise _fault(name, problem, "export it again", "fmt")
    if not SLOWEST <= rate <= FASTEST:
        right = f"record at {SLOWEST:g} to {FASTEST:g} Hz"
        raise _fault(name, f"states {rate} samples a second", right, "fmt")
    return _Format(code, channels, rate, bits)


def _check_data(name: str, form: _Format, length: int, start: int, left: int) -> _Format:
    block = form.channels * form.bits // 8
    if left < block:
        raise _fault(name, "holds no samples", "record it again", "data")
    if length in (0, 0xFFFFFFFF):
        held = counted(left // block, "sample")
        problem = f"states no length, and holds {held}: the recorder was stopped"
        raise _fault(name, problem, "let it write the file to its end, or export it again", "data")
    if length > left:
        problem = f"is cut short: {left // block} of {length // block} samples are there"
        raise _fault(name, problem, "export it again", "data")
    if length % block:
        raise _fault(name, "ends within a sample", "export it again", "data")
    if length // block * form.channels > LARGEST:
        problem = (
            f"holds {counted(length // block, 'sample')} of {counted(form.channels, 'channel')}"
        )
        raise _fault(name, problem, "cut out the throw", "data")
    return replace(form, start=start, count=length // block)


def _samples(path: Path, form: _Format) -> NDArray[Any]:
    """Samples (N, C) as the file counts them."""
    values = form.count * form.channels
    if form.bits == 24:
        packed = np.fromfile(path, np.uint8, 3 * values, offset=form.start).reshape(-1, 3)
        wide = np.zeros((values, 4), np.uint8)
        wide[:, 1:] = packed  # at the top, so that the sign comes along
        return (wide.view("<i4") >> 8).reshape(form.count, form.channels)
    kind = f"<{'f' if form.code == _FLOAT else 'i'}{form.bits // 8}"
    flat = np.fromfile(path, kind, values, offset=form.start)
    return flat.reshape(form.count, form.channels)


def _health(
    samples: Array, step: float
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.int64], Array]:
    """Clipped, dead, dropped and offset of each channel, as `Sound` has them."""
    clipped, dead, dropped = [], [], []
    for channel in samples.T:
        low, high = float(channel.min()), float(channel.max())
        dead.append(high - low <= 1.5 * step)
        if dead[-1]:
            clipped.append(0)
            dropped.append(0)
            continue
        starts = np.flatnonzero(np.diff(channel, prepend=np.nan) != 0)
        lengths = np.diff(starts, append=channel.size)
        clipped.append(_clipped(channel, starts, lengths, step))
        # A recorder's gap is a flat stretch at the value 0 or at the last one before it.
        alive = float(np.median(np.abs(np.diff(channel)))) > 1.5 * step
        dropped.append(int(lengths[lengths >= _STILL].sum()) if alive else 0)
    return np.array(clipped), np.array(dead), np.array(dropped), samples.mean(axis=0)


def _clipped(
    channel: Array, starts: NDArray[np.intp], lengths: NDArray[np.intp], step: float
) -> int:
    """Samples cut off at full scale or on flat tops.

    At full scale all count once two follow one another: a record brought up to full scale touches
    it at one sample. Below it, a flat top is at least three equal samples at the channel's extreme
    reached by a jump, which tells it from the rounded top of a slow wave.
    """
    value = channel[starts]
    full = (value >= 1.0 - 1.5 * step) | (value <= -1.0 + 1.5 * step)
    count = int(lengths[full].sum()) if (lengths[full] > 1).any() else 0
    jump = np.abs(np.diff(value))
    into = np.concatenate([[0.0], jump])
    out = np.concatenate([jump, [0.0]])
    peak = float(np.abs(channel).max())
    sharp = np.maximum(into, out) > max(8 * step, 1e-4 * peak)
    extreme = (value == channel.max()) | (value == channel.min())
    flat = extreme & ~full & (lengths >= _FLAT) & sharp & (np.abs(value) > _QUIET * step)
    return count + int(lengths[flat].sum())
