"""The public functions on a small motion, and the notebook of the docs, run cell by cell."""

from __future__ import annotations

import json
from pathlib import Path

import matplotlib
import numpy as np
import pytest

import lashwave
from lashwave.files import write_results
from lashwave.quantities import Answer, Draws, Fit, InputError, Line, Markers, Residuals, Trial

matplotlib.use("agg")
NOTEBOOK = Path(__file__).parents[2] / "docs" / "notebook.ipynb"
TIME, STATION = np.linspace(0.0, 0.5, 26), np.linspace(0.0, 2.0, 5)


def swung() -> tuple[Fit, Trial]:
    """A straight line that swings about its butt at 3 rad/s."""
    way = np.stack([np.cos(3 * TIME), np.zeros_like(TIME), np.sin(3 * TIME)], axis=-1)
    turn = 3.0 * np.stack([-np.sin(3 * TIME), np.zeros_like(TIME), np.cos(3 * TIME)], axis=-1)
    place, speed = (STATION[:, None] * v[:, None] for v in (way, turn))
    flat = np.ones(place.shape[:2])
    draws = Draws(
        TIME, STATION, np.stack([place] * 2).astype(np.float32),
        np.stack([speed] * 2).astype(np.float32), np.stack([flat] * 2),
        np.zeros((2, TIME.size, 3)), np.zeros((2, TIME.size)), np.zeros((2, TIME.size)), {},
    )  # fmt: skip
    markers = Markers(TIME, ("M1",), place[:, -1:], np.full((TIME.size, 1), 1e-3), STATION[-1:])
    seen = Residuals(np.zeros((TIME.size, 1, 3)), np.ones((TIME.size, 1)), {}, {}, 0.0)
    fit = Fit(
        TIME, STATION, place, np.full_like(place, 1e-3), speed, np.full_like(speed, 0.1), speed,
        0 * flat, flat, flat, draws, seen, {}, ("<b>a warning</b>",),
    )  # fmt: skip
    line = Line(STATION, np.full(5, 4e-3), np.full(5, 0.01))
    return fit, Trial("swing", line, markers)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("answers") / "swing"
    fit, trial = swung()
    answers = {
        "peak_tip_speed": Answer(6.0, "m s-1", 0.1, 5.8, 6.2),
        "peak_tip_speed_time": Answer(0.4778541, "s", 2.51e-5, 0.47779, 0.4779),
        "sonic_time": Answer(None, "s", probability=0.0, reason="never <sonic>"),
    }
    write_results(out, fit, answers, None, {}, trial, {})
    return out


def test_answers_open_as_they_were_written(folder):
    found = lashwave.open_answer(folder)
    assert found["peak_tip_speed"] == Answer(6.0, "m s-1", 0.1, 5.8, 6.2)
    assert found.table.loc["sonic_time", "reason"] == "never <sonic>"
    assert found.motion["velocity"].attrs["units"] == "m s-1"
    assert found.speed.attrs["units"] == "m s-1"
    # 3 rad/s at 2 m
    assert float(found.speed.isel(station=-1).max()) == pytest.approx(6.0)
    assert "2 of 3" in repr(found)


def test_the_summary_in_a_notebook_escapes_what_files_say(folder):
    page = lashwave.open_answer(folder)._repr_html_()
    assert "<b>a warning</b>" not in page and "&lt;b&gt;a warning" in page
    assert "never &lt;sonic&gt;" in page and "<th>median of draws</th>" in page
    # two figures of the sd, and the value to those; moments in ms
    assert "<td>6.00</td><td>0.10</td><td>5.80 to 6.20</td>" in page
    assert "<td>477.854</td><td>0.025</td><td>477.790 to 477.900</td><td>ms</td>" in page


def test_pictures_are_axes_that_show_the_motion(folder):
    from matplotlib.figure import Figure

    found = lashwave.open_answer(folder)
    figure = Figure()
    own = figure.subplots(3)
    axes = found.plot_tip_speed(own[0])
    assert axes is own[0]
    line = axes.lines[0]
    assert line.get_ydata() == pytest.approx(np.full(TIME.size, 6.0))
    top = axes.collections[0].get_paths()[0].vertices[:, 1].max()
    assert top == pytest.approx(6.0 + 1.96 * 0.1)
    axes = found.plot_shapes([0.0, np.pi / 12], own[1])
    assert axes.lines[1].get_ydata()[-1] == pytest.approx(2.0 * np.sin(np.pi / 4), abs=5e-3)
    assert found.plot_map("speed", own[2]).get_ylabel() == "station [m]"
    assert found.plot_map("tension_sd").figure.axes[1].get_ylabel() == "tension_sd [N]"
    with pytest.raises(ValueError, match="xz"):
        found.plot_shapes(plane="zz")
    with pytest.raises(KeyError):
        found.plot_map("position")


def test_a_throw_of_the_engine_by_name_and_units():
    table = lashwave.throws(length=[1.8, 2.0])
    assert list(table["length"]) == [1.8, 2.0] and (table["bad"] == "").all()
    assert table.attrs["units"]["peak_speed"] == "m/s"
    with pytest.raises(InputError, match="lenght"):
        lashwave.throws(lenght=2.0)
    with pytest.raises(InputError, match="unlike lengths"):
        lashwave.throws(length=[1.8, 2.0], mass=[0.1, 0.1, 0.1])


def test_a_folder_without_answers_is_one_line(tmp_path):
    with pytest.raises(InputError, match="neither"):
        lashwave.open_answer(tmp_path)


def test_the_notebook_of_the_docs_runs(folder, monkeypatch):
    monkeypatch.setenv("LASHWAVE_ANSWERS", str(folder))
    cells = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
    names: dict[str, object] = {}
    for cell in cells:
        assert not cell.get("outputs"), "kept without outputs"
        if cell["cell_type"] == "code":
            exec(compile("".join(cell["source"]), cell["id"], "exec"), names)
    assert len(names["table"]) == 3
    assert (np.diff(names["table"]["peak_speed"]) != 0).all()
