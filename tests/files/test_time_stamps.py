"""A camera's own time stamps: dropped frames, a rate that is not whole, stamps with few digits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile

from lashwave.files.trial_folder import read_pictures, read_trial
from lashwave.files.write_trial import write_trial
from lashwave.quantities.errors import InputError
from lashwave.workbench.cli import main
from tests.files.test_located import FILES, TRIAL

RATE = 20e3
NAMED = 'times = "times.csv"\n[cameras.st'
DROPPED = np.array([3, 4, 9])


def stamps(keep: np.ndarray, rate: float = RATE, digits: int = 9, start: float = 12.5) -> str:
    rows = (f"{k},{start + k / rate:.{digits}f}\n" for k in keep)
    return "frame,time [s]\n" + "".join(rows)


def put(folder: Path, table: str, description: str = "") -> Path:
    for name, text in FILES.items():
        (folder / name).write_text(text)
    text = description or TRIAL.replace("[cameras.st", NAMED)
    (folder / "trial.toml").write_text(text)
    (folder / "times.csv").write_text(table)
    return folder


def film(folder: Path, table: str, images: int) -> Path:
    bare = TRIAL.replace('points = "tip.csv"\nfronts = "fronts.csv"', 'frames = "film.tif"')
    put(folder, table, bare.replace("[cameras.st", NAMED))
    (folder / "mic1.wav").unlink()
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(text[: text.index("[[microphones]]")])
    (folder / "onsets.csv").unlink()
    rng = np.random.default_rng(0)
    pages = rng.integers(90, 110, (images, 480, 640)).astype(np.uint8)
    tifffile.imwrite(folder / "film.tif", pages, photometric="minisblack")
    return folder


def test_an_image_after_a_gap_has_the_time_of_its_stamp(tmp_path: Path) -> None:
    keep = np.setdiff1d(np.arange(30), DROPPED)
    pictures = read_pictures(film(tmp_path, stamps(keep), keep.size))
    camera = pictures.trial.cameras[0]
    np.testing.assert_allclose(camera.counted(np.arange(keep.size)), keep, atol=1e-3)
    (said,) = [n for n in pictures.trial.notes if "dropped" in n]
    assert "3 frames dropped" in said and "2 after frame 2, 1 after frame 6" in said


def test_tracked_points_go_by_the_number_of_their_frame(tmp_path: Path) -> None:
    keep = np.setdiff1d(np.arange(30), DROPPED)
    camera = read_trial(put(tmp_path, stamps(keep))).cameras[0]
    np.testing.assert_allclose(camera.counted(camera.frame), camera.frame, atol=1e-3)


@pytest.mark.parametrize("rate", [23.976, 6688.96])
@pytest.mark.parametrize("digits", [6, 9])
def test_stamps_say_the_rate_better_than_a_rounded_one(
    tmp_path: Path, rate: float, digits: int
) -> None:
    count = np.arange(9)
    table = stamps(count, rate, digits)
    stated = TRIAL.replace("20 kHz", f"{round(rate)} Hz")
    put(tmp_path, table, stated.replace("[cameras.st", NAMED))
    trial = read_trial(tmp_path)
    camera = trial.cameras[0]
    # Six decimals leave half a microsecond of each stamp, so that of a place on the line.
    slack = 1e-6 if digits == 6 else 1e-9
    seen = camera.counted(count) / camera.rate
    np.testing.assert_allclose(seen, count / rate, atol=slack)
    assert rate > 100 or any("24 Hz is stated" in note for note in trial.notes)


def test_stamps_with_few_digits_are_even(tmp_path: Path) -> None:
    """Milliseconds of a film at 240 Hz: steps of 4 and 5 ms are rounding, not the film's."""
    count = np.arange(200)
    stated = TRIAL.replace("20 kHz", "240 Hz")
    put(
        tmp_path,
        stamps(count, 240.0, 3),
        stated.replace("[cameras.st", NAMED),
    )
    trial = read_trial(tmp_path)
    assert np.abs(trial.cameras[0].counted(count) - count).max() < 0.05
    assert not any("wander" in note or "dropped" in note for note in trial.notes)


def test_stamps_that_wander_are_taken_as_they_stand(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    time = (np.arange(40) + 0.2 * rng.standard_normal(40)) / RATE
    table = "time [us]\n" + "".join(f"{1e6 * t:.4f}\n" for t in time)
    trial = read_trial(put(tmp_path, table))
    camera = trial.cameras[0]
    seen = camera.counted(np.arange(40)) / RATE
    np.testing.assert_allclose(seen, time - time[0], atol=1e-9)
    assert any("wander by" in note for note in trial.notes)


def test_a_trial_with_stamps_is_written_and_read_back(tmp_path: Path) -> None:
    keep = np.setdiff1d(np.arange(30), DROPPED)
    before = read_trial(put(tmp_path, stamps(keep, 6688.96 * 20e3 / 6688.0)))
    write_trial(tmp_path / "again", before)
    after = read_trial(tmp_path / "again").cameras[0]
    frame = np.arange(30)
    np.testing.assert_allclose(after.counted(frame), before.cameras[0].counted(frame), atol=1e-6)


@pytest.mark.parametrize(
    "table, says",
    [
        ("frame,time [s]\n0,0\n1,0.00005\n2,0.00005\n", "line 4, time: does not rise"),
        ("frame,time [s]\n0,0\n1,0.0005\n2,0.001\n", "runs at 2000 Hz, the camera at 20000"),
        ("frame,time [s]\n0,0\n", "one row"),
        ("frame,time [px]\n0,0\n1,1\n", "time"),
        ("frame\n0\n1\n", "time"),
    ],
)
def test_bad_stamps_are_one_line(tmp_path: Path, capsys, table: str, says: str) -> None:
    put(tmp_path, table)
    assert main(["check", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert says in said and said.count("\n") == 1


def test_a_film_of_another_length_than_its_stamps_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="has 12 rows for 10 images"):
        read_pictures(film(tmp_path, stamps(np.arange(12)), 10))


def test_an_event_in_a_frame_after_a_gap_has_the_time_of_its_stamp(tmp_path: Path) -> None:
    event = '[[cameras.events]]\ntime = "0.2 s"\ntime_sd = "1 us"\nframe = 5\n'
    keep = np.setdiff1d(np.arange(30), DROPPED)
    folder = film(tmp_path, stamps(keep), keep.size)
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(text.replace("[cameras.st", event + "[cameras.st"))
    trial = read_pictures(folder).trial
    assert trial.cameras[0].clock.offset == pytest.approx(0.2 - keep[5] / RATE, abs=1e-9)
