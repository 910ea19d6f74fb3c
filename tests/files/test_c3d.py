"""C3D: real files of many makers, long files, and files that lie.

Outside the project: the recorded samples of c3d.org that were stored in six encodings
(BTKData, Input/C3DSamples; `SOURCE.md` beside them), and two open readers, ezc3d and c3d, that
share no code with ours.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from lashwave.files import c3d
from lashwave.files.c3d import read_c3d
from lashwave.quantities import InputError
from tests.files.c3d_others import by_c3d
from tests.files.c3d_writer import write_c3d

SAMPLES = Path(__file__).parents[3] / "shared" / "data" / "c3d_samples"
needs_samples = pytest.mark.skipif(
    not SAMPLES.is_dir(), reason="the recorded C3D samples are not on this machine"
)
HALF_SPACING = 2.0**-13 * 1e-3
"""Half the spacing of single-precision numbers from 2048 to 4096 mm, 1.2e-4 mm: the real-number
files are the whole-number ones rounded to that (largest difference 1.02e-4 mm at 2052 mm)."""
SINGLE = 2.0**-23 * 3.0
"""Spacing of single-precision numbers of up to 3 m [m]."""

STD = [f"std_{maker}_{kind}" for maker in ("intel", "dec", "mips") for kind in ("int", "real")]


def sample(name: str, **options: object) -> object:
    return read_c3d(SAMPLES / f"{name}.c3d", f"{name}.c3d", **options)  # type: ignore[arg-type]


@needs_samples
@pytest.mark.parametrize("name", STD[1:])
def test_six_encodings_of_one_recording_read_equal(name: str) -> None:
    first, other = sample(STD[0]), sample(name)
    missing = np.isnan(first.position[..., 0])
    assert missing.mean() == pytest.approx(0.019, abs=5e-4)  # SOURCE.md: 1.9 %
    np.testing.assert_array_equal(np.isnan(other.position[..., 0]), missing)
    np.testing.assert_allclose(other.position, first.position, rtol=0, atol=HALF_SPACING)
    assert first.present == other.present and first.rate == other.rate == 50.0


@needs_samples
@pytest.mark.parametrize("letter", "BCD")
def test_blocks_that_were_moved_read_the_same(letter: str) -> None:
    a, b = sample("blockptr_A"), sample(f"blockptr_{letter}")
    np.testing.assert_array_equal(a.position, b.position)


@needs_samples
@pytest.mark.parametrize("name", ["std_intel_real", "std_dec_int", "first_frame_91_250hz"])
def test_an_independent_reader_sees_the_same_points(name: str) -> None:
    theirs = by_c3d(SAMPLES / f"{name}.c3d").points
    ours = sample(name)
    seen = np.isfinite(ours.position[..., 0])
    np.testing.assert_array_equal(theirs[..., 3] >= 0, seen)
    np.testing.assert_allclose(
        ours.position[seen], theirs[..., :3][seen] * 1e-3, rtol=0, atol=SINGLE
    )


@needs_samples
def test_frame_numbers_are_the_files_own() -> None:
    points = sample("first_frame_91_250hz")
    assert points.time[0] * points.rate + 1 == pytest.approx(91)
    assert points.time[0] == pytest.approx(90 / 250)
    assert points.time.size == 237


@needs_samples
def test_a_wrong_rate_can_be_overridden() -> None:
    assert sample("wrong_rate_in_file").rate == 60.0
    points = sample("wrong_rate_in_file", rate=200.0)
    assert np.diff(points.time) == pytest.approx(1 / 200)


@needs_samples
@pytest.mark.parametrize("name", ["units_metre_140hz", "units_truncated_mete"])
def test_files_in_metres_are_not_shrunk(name: str) -> None:
    position = sample(name).position
    assert 0.5 < np.nanmax(position) < 3.0  # a person's limbs: metres, not millimetres of them


REFUSED = {
    "empty": "less than a C3D header",
    "analog_only_1000hz": "holds no points",
    "no_point_parameters": "no labels",
    "mips_odd_groups": "states the scales",
}


@needs_samples
@pytest.mark.parametrize("name", REFUSED)
def test_a_file_that_cannot_be_trusted_is_refused_with_the_reason(name: str) -> None:
    with pytest.raises(InputError, match=REFUSED[name]):
        sample(name)


@needs_samples
def test_a_doubled_label_is_refused_only_where_it_is_asked_for() -> None:
    assert sample("wrong_rate_in_file", labels=("LASI",)).position.shape == (574, 1, 3)
    with pytest.raises(InputError, match="2 points called 'RTHI'"):
        sample("wrong_rate_in_file", labels=("RTHI",))


@needs_samples
def test_no_sample_hangs_or_crashes_the_reader() -> None:
    for path in sorted(SAMPLES.glob("*.c3d")):
        begin = time.process_time()
        try:
            points = read_c3d(path, path.name)
            assert np.nanmax(np.abs(points.position), initial=0) < 5.0, path.name
        except InputError as error:
            assert path.stem in REFUSED, error
        assert time.process_time() - begin < 2.0, path.name


@needs_samples
@pytest.mark.parametrize("share", [0.3, 0.7, 0.999])
@pytest.mark.parametrize("name", ["std_intel_real", "std_mips_int", "gaps_70pct"])
def test_a_cut_file_is_refused_and_never_shortened(name: str, share: float, tmp_path: Path) -> None:
    data = (SAMPLES / f"{name}.c3d").read_bytes()
    cut = tmp_path / "cut.c3d"
    # Less than a block may be padding, so 0.999 of a file may still hold every frame.
    cut.write_bytes(data[: min(int(share * len(data)), len(data) - 1024)])
    with pytest.raises(InputError, match="it was cut"):
        read_c3d(cut, "cut.c3d")


def track(frames: int, points: int) -> np.ndarray:
    """Positions [mm] that tell every frame and point from every other."""
    position = np.zeros((frames, points, 3))
    position[..., 0] = np.arange(frames)[:, None] * 0.01
    position[..., 1] = np.arange(points)
    position[::7, 0] = np.nan
    return position


@pytest.mark.parametrize("options", [{"long_parameter": True}, {"long_trial": True}])
def test_a_long_file_is_read_whole(options: dict[str, bool], tmp_path: Path) -> None:
    frames, path = 70_001, tmp_path / "long.c3d"
    position = track(frames, 2)
    write_c3d(path, position, ["A", "B"], **options)
    points = read_c3d(path, "long.c3d")
    assert points.time.size == frames
    # Single precision at 700 mm is 6e-5 mm.
    np.testing.assert_allclose(points.position * 1e3, position, atol=6.2e-5)


def test_a_long_file_that_does_not_say_so_is_read_by_its_size_or_refused(tmp_path: Path) -> None:
    path = tmp_path / "long.c3d"
    write_c3d(path, track(66_000, 40), [f"M{i:02}" for i in range(40)])  # 640 bytes a frame
    assert read_c3d(path, "long.c3d").time.size == 66_000
    write_c3d(path, track(66_000, 2), ["A", "B"])  # 32 bytes: padding could be frames
    with pytest.raises(InputError, match="more than its header can count"):
        read_c3d(path, "long.c3d")


def test_a_long_file_that_was_cut_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "long.c3d"
    write_c3d(path, track(70_001, 2), ["A", "B"], long_parameter=True, drop=32 * 4000)
    with pytest.raises(InputError, match="states 70001 frames and holds 66001"):
        read_c3d(path, "long.c3d")


def test_flipped_bytes_give_an_answer_or_a_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(c3d, "second_labels", lambda path: [])  # a process each time
    path = tmp_path / "flipped.c3d"
    write_c3d(path, track(60, 3), ["A", "B", "C"], long_trial=True)
    good = path.read_bytes()
    random = np.random.default_rng(5)
    refused = 0
    for _ in range(400):
        data = bytearray(good)
        for place in random.integers(0, 1400, random.integers(1, 6)):
            data[place] = random.integers(0, 256)
        path.write_bytes(bytes(data))
        try:
            read_c3d(path, "flipped.c3d", ("A", "B"), None)
        except InputError as error:
            refused += 1
            assert "\n" not in str(error)
    assert 20 < refused < 400


def test_the_second_reader_runs_apart_and_gives_up_in_time(tmp_path: Path) -> None:
    path = tmp_path / "noise.c3d"
    path.write_bytes(b"\x02\x50" + bytes(range(256)) * 20)
    assert c3d.second_labels(path) == []
    write_c3d(path, track(30, 2), ["A", "B"])
    assert c3d.second_labels(path) == ["A", "B"]
    begin = time.monotonic()
    assert c3d.second_labels(path, seconds=0.01) == []
    assert time.monotonic() - begin < 5


@needs_samples
def test_the_second_reader_is_stopped_on_a_file_that_hangs_it() -> None:
    begin = time.monotonic()
    c3d.second_labels(SAMPLES / "bad_parameter_section.c3d", seconds=2)
    assert time.monotonic() - begin < 10


@pytest.mark.slow
def test_ten_minutes_of_sixty_markers_need_a_few_times_the_files_size(tmp_path: Path) -> None:
    path = tmp_path / "long.c3d"
    labels = [f"M{i:02}" for i in range(60)]
    write_c3d(path, track(300_000, 60), labels, long_trial=True)
    size = path.stat().st_size
    code = (
        "import sys; from pathlib import Path; from lashwave.files.c3d import read_c3d\n"
        "def peak():\n"
        "    text = Path('/proc/self/status').read_text()\n"
        "    return int(text.split('VmHWM:')[1].split()[0])\n"
        "base = peak()\n"
        "read_c3d(Path(sys.argv[1]), 'long.c3d')\n"
        "print(peak() - base)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True
    )
    used = 1024 * int(done.stdout)
    print(f"{size / 1e6:.0f} MB file, {used / 1e6:.0f} MB more memory")
    # Double precision without the fourth word is 1.5 times the file; the map of it is 1.
    assert size < used < 3 * size
