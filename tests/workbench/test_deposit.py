"""The archive for a repository: whole, explained, and only of answers that fit the trial."""

from __future__ import annotations

import hashlib
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lashwave.files.read_answers import read_judgement
from lashwave.files.results import write_results
from lashwave.files.trial_folder import read_trial
from lashwave.files.write_trial import write_trial
from lashwave.workbench.cli import main
from tests.files.c3d_others import by_c3d, residuals_by_ezc3d
from tests.report import invented


@pytest.fixture
def case(tmp_path: Path) -> tuple[Path, Path]:
    """A trial on disk and answers to it."""
    folder, answers = tmp_path / "trial", tmp_path / "answers"
    write_trial(folder, invented.trial())
    trial = read_trial(folder)
    fit = invented.fit(trial, times=200, stations=30)
    files = {"report.html": b"<p>", "report.pdf": b"%PDF-", "figures/figure-01.csv": b"x\n"}
    write_results(answers, fit, invented.answers(fit), None, files, trial, {})
    return folder, answers


def test_every_file_is_in_it_with_its_checksum(case, tmp_path: Path) -> None:
    folder, answers = case
    out = tmp_path / "a.zip"
    command = ["deposit", str(folder), "--answers", str(answers), "--out", str(out)]
    assert main([*command, "--inputs"]) == 0
    first = out.read_bytes()
    with zipfile.ZipFile(out) as archive:
        listed = dict(
            line.split("  ")[::-1] for line in archive.read("files.sha256").decode().splitlines()
        )
        assert {"motion.nc", "figures/figure-01.csv", "markers-filled.c3d"} <= set(listed)
        assert {"inputs/trial.toml", "inputs/markers.csv"} <= set(listed)
        for name, digest in listed.items():
            assert hashlib.sha256(archive.read(name)).hexdigest() == digest
        readme = archive.read("README.md").decode()
    assert "bench-07" in readme and "licence" in readme
    assert main([*command, "--inputs"]) == 0 and len(out.read_bytes()) == len(first)


def test_another_library_reads_the_filled_markers(case, tmp_path: Path) -> None:
    # the `c3d` package from PyPI, which shares no code with the writer
    folder, answers = case
    assert main(["deposit", str(folder), "--answers", str(answers), "--out",
                 str(tmp_path / "a.zip")]) == 0  # fmt: skip
    trial = read_trial(folder)
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        archive.extract("markers-filled.c3d", tmp_path)
    read = by_c3d(tmp_path / "markers-filled.c3d")
    points = read.points
    assert read.labels == [*trial.markers.labels, "line_tip"]
    assert (read.first - 1) / read.rate == pytest.approx(trial.markers.time[0])
    weight = read_judgement(answers)["marker_weight"].values
    seen = weight >= 0.4  # measured and trusted
    assert 0 < (weight < 0.4).sum() < 0.05 * seen.sum()
    held = points[:, :-1]
    np.testing.assert_allclose(
        held[..., :3][seen], 1e3 * trial.markers.position[seen], atol=2e-4
    )  # float32 of some metres in millimetres
    on_line = np.isfinite(trial.markers.station)
    assert np.isfinite(points[:, -1, :3]).all() and (np.abs(points[:, -1, :3]) > 0).any()
    # the two libraries take the fourth word apart differently; the writer's own reads it back
    residual = residuals_by_ezc3d(tmp_path / "markers-filled.c3d")
    assert (residual[:, :-1][seen] == 1).all() and (residual[:, -1] == 0).all()
    assert (residual[:, :-1][:, on_line][~seen[:, on_line]] == 0).all()


def test_answers_of_other_inputs_are_refused(case, tmp_path: Path, capsys) -> None:
    folder, answers = case
    text = (folder / "line.csv").read_text()
    (folder / "line.csv").write_text(text + "\n")
    out = tmp_path / "a.zip"
    assert main(["deposit", str(folder), "--answers", str(answers), "--out", str(out)]) == 2
    assert "line.csv differs; reconstruct again" in capsys.readouterr().err
    assert not out.exists()
    assert main(["deposit", str(folder), "--answers", str(folder), "--out", str(out)]) == 2
    assert main(["deposit", str(folder), "--answers", str(answers), "--out", str(folder)]) == 2


def test_no_file_of_the_users_is_replaced_or_packed(case, tmp_path: Path, capsys) -> None:
    folder, answers = case
    command = ["deposit", str(folder), "--answers", str(answers), "--out"]
    mine = tmp_path / "mine.zip"
    mine.write_text("my own")
    assert main([*command, str(mine)]) == 2 and mine.read_text() == "my own"
    assert main([*command, str(folder / "a.zip")]) == 2 and not (folder / "a.zip").exists()
    (answers / "private.txt").write_text("not for others")
    assert main([*command, str(tmp_path / "b.zip")]) == 0
    with zipfile.ZipFile(tmp_path / "b.zip") as archive:
        assert "private.txt" not in archive.namelist()
    (answers / "samples.nc").unlink()
    capsys.readouterr()
    assert main([*command, str(tmp_path / "c.zip")]) == 2
    assert "samples.nc is missing" in capsys.readouterr().err


def test_what_the_fit_distrusts_is_filled_and_not_measured(case, tmp_path: Path) -> None:
    folder, answers = case
    trial = read_trial(folder)
    fit = invented.fit(trial, times=200, stations=30)
    seen = np.isfinite(trial.markers.position[..., 0])
    weight = np.where(seen, 1.0, np.nan)
    at = tuple(np.argwhere(seen[:, np.isfinite(trial.markers.station)])[5])
    weight[at] = 0.1
    judged = replace(fit.residuals, marker=np.zeros_like(trial.markers.position),
                     marker_weight=weight)  # fmt: skip
    files = {"report.html": b"<p>", "report.pdf": b"%PDF-"}
    fit = replace(fit, residuals=judged)
    write_results(answers, fit, invented.answers(fit), None, files, trial, {})
    out = tmp_path / "a.zip"
    assert main(["deposit", str(folder), "--answers", str(answers), "--out", str(out)]) == 0
    with zipfile.ZipFile(out) as archive:
        archive.extract("markers-filled.c3d", tmp_path)
    residual = residuals_by_ezc3d(tmp_path / "markers-filled.c3d")
    assert residual[at] == 0 and (residual[:, :-1][seen] == 0).sum() == 1
