"""The pictures of the account and the table of the order of events, from lists as in answers.nc."""

import numpy as np
import pytest
import xarray as xr

from lashwave.report import export, figures_account, numbers, words

TIME, STATION = np.linspace(0.0, 1.0, 41), np.linspace(0.0, 2.0, 9)


@pytest.fixture
def lists():
    """Half of 4 J stored, a quarter lost to the air, a quarter in bending; gravity takes back."""
    table = xr.Dataset(
        {
            "kinetic_energy": ("time", 1.0 + 2.0 * TIME),
            "potential_energy": ("time", -1.0 * TIME),
            "drag_loss": ("time", 1.0 * TIME),
            "tuft_loss": ("time", 0.0 * TIME),
            "damping_loss": ("time", 2.0 * TIME),
            "hand_work": ("time", 4.0 * TIME),
            "hand_work_low": ("time", 3.9 * TIME),
            "hand_work_high": ("time", 4.1 * TIME),
        },
        coords={"time": TIME, "station": STATION},
    )
    for end in ("", "_low", "_high"):
        table["drag_loss_by_station" + end] = ("station", 0.5 + 0.0 * STATION)
    return table


def test_the_pile_starts_at_nothing_and_ends_at_what_was_given(lists):
    figure = figures_account.account(lists, 0.5)
    left = figure.axes[0]
    tops = [c.get_paths()[0].vertices[:, 1].max() for c in left.collections]
    assert max(tops[:-1]) == pytest.approx(2.0 + 1.0 + 2.0)  # kinetic, drag, damping
    feet = [c.get_paths()[0].vertices[:, 1].min() for c in left.collections]
    assert min(feet) == pytest.approx(-1.0)  # gravity, downward
    names = {text.get_text() for text in figure.legends[0].get_texts()}
    assert names == {"kinetic", "gravity", "drag", "damping", "hand"}  # a tuft that lost nothing
    assert left.get_ylabel().endswith("[J]") and figure.axes[1].get_ylabel().endswith("[J/m]")
    assert export.svg_in_page(figure, "f1").startswith("<svg")


def test_there_is_no_picture_without_an_account():
    assert figures_account.account(xr.Dataset(coords={"time": TIME}), 0.5) is None
    assert numbers.order(xr.Dataset()) is None


def test_the_table_of_events_is_in_words_and_per_cent():
    events = ["tip_turns", "first_sonic"]
    lists = xr.Dataset(
        {
            "probability_before": (("event", "event_after"), [[np.nan, 0.25], [0.75, np.nan]]),
            "probability_of_event": (("event",), [1.0, 0.9]),
        },
        coords={"event": events, "event_after": events},
    )
    said = {"most_probable_order": "first_sonic < tip_turns"}
    lists["probability_before"].attrs = said | {
        "most_probable_order_probability": 0.75, "draws": 120
    }  # fmt: skip
    grid = numbers.order(lists)
    assert grid.head[1:3] == ["tip turns around", "first sonic point"]
    assert grid.rows[0] == ["tip turns around", "–", "25 %", "> 97 %"]
    assert "first sonic point, then tip turns around (probability 75 %)" in words.order(lists)
