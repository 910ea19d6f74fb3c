"""Each kind of mend against the samples that it must change, and no others."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from lashwave.files.mends import parse_mends
from lashwave.files.mends_write import mends_text
from lashwave.files.trial_folder import read_trial
from lashwave.quantities.errors import InputError

TRIAL = """schema = 1
[trial]
name = "mended"
[line]
table = "line.csv"
[markers]
file = "markers.csv"
sd = "0.3 mm"
[markers.stations]
M1 = 0.1
M2 = 0.5
M3 = 0.9
[[cameras]]
name = "tip-view"
rate = "20 kHz"
size = [1000, 1000]
projection = [[900.0, 0, 0, 50], [0, 0, -900.0, 500], [0, 0, 0, 1]]
points = "tip.csv"
sd = "0.4 px"
[cameras.stations]
tip = 1.0
"""


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A straight line that lies still; M3 is never seen, its label stands for nothing yet."""
    folder = tmp_path / "trial"
    folder.mkdir()
    (folder / "trial.toml").write_text(TRIAL)
    line = "station [m],diameter [mm],linear_density [g/m]\n0,8,40\n0.5,5,20\n1,2,4\n"
    (folder / "line.csv").write_text(line)
    (folder / "other.csv").write_text(line.replace("2,4", "2,3"))
    rows = [f"{k / 500},M{m},{[0.1, 0.5][m - 1]},0,0" for k in range(30) for m in (1, 2)]
    (folder / "markers.csv").write_text("time [s],marker,x [m],y [m],z [m]\n" + "\n".join(rows))
    tips = "\n".join(f"{f},tip,950,500" for f in range(10))
    (folder / "tip.csv").write_text("frame,feature,u [px],v [px]\n" + tips)
    return folder


def mended(folder: Path, *mends: dict):
    text = mends_text(list(mends))
    (folder.parent / "trial.mends.toml").write_bytes(text)
    return read_trial(folder)


def test_relabelling_exchanges_a_span(place: Path) -> None:
    mend = {"kind": "relabel-marker", "marker": "M1", "as": "M2", "from": 0.01, "to": 0.018}
    trial = mended(place, mend)
    x = trial.markers.position[..., 0]
    span = np.zeros(30, bool)
    span[5:10] = True  # samples 5 to 9 stand at 10 to 18 ms
    assert (x[span, 0] == 0.5).all() and (x[span, 1] == 0.1).all()
    assert (x[~span, 0] == 0.1).all() and (x[~span, 1] == 0.5).all()
    said = "mended by hand: 5 samples of marker M1 given to M2, and 5 of M2 to M1."
    assert said in trial.notes
    twice = mended(place, mend, mend)
    assert np.array_equal(twice.markers.position, read_trial_plain(place).markers.position)


def read_trial_plain(place: Path):
    (place.parent / "trial.mends.toml").unlink(missing_ok=True)
    return read_trial(place)


def test_relabelling_to_a_label_never_seen(place: Path) -> None:
    trial = mended(place, {"kind": "relabel-marker", "marker": "M2", "as": "M3", "to": "8 ms"})
    i, j = (trial.markers.labels.index(n) for n in ("M2", "M3"))
    seen = np.isfinite(trial.markers.position[..., 0])
    assert seen[:5, j].all() and not seen[5:, j].any() and not seen[:5, i].any()
    assert trial.markers.station[j] == 0.9


def test_standard_deviations_go_with_the_samples_they_are_of(place: Path) -> None:
    """M1 is stated to 0.1 mm, M2 to 0.5 mm: exchanged samples keep theirs, a label never seen has
    the middle of the others'."""
    text = (place / "trial.toml").read_text().replace('sd = "0.3 mm"\n', "", 1)
    (place / "trial.toml").write_text(text)
    rows = [
        f"{k / 500},M{m},{[0.1, 0.5][m - 1]},0,0,{[1e-4, 5e-4][m - 1]}"
        for k in range(30)
        for m in (1, 2)
    ]
    head = "time [s],marker,x [m],y [m],z [m],sd [m]\n"
    (place / "markers.csv").write_text(head + "\n".join(rows))
    two = {"kind": "relabel-marker", "marker": "M1", "as": "M2", "from": 0.01, "to": 0.018}
    sd = mended(place, two).markers.sd
    span = np.zeros(30, bool)
    span[5:10] = True
    np.testing.assert_allclose(sd[span], [[5e-4, 1e-4]] * 5)
    np.testing.assert_allclose(sd[~span], [[1e-4, 5e-4]] * 25)
    new = mended(place, {"kind": "relabel-marker", "marker": "M2", "as": "M3", "to": "8 ms"})
    of_m2, of_m3 = (new.markers.sd[:, new.markers.labels.index(n)] for n in ("M2", "M3"))
    np.testing.assert_allclose(of_m3[:5], 5e-4)  # the samples that were M2's
    np.testing.assert_allclose(of_m3[5:], 3e-4)
    np.testing.assert_allclose(of_m2[:5], 3e-4)


def test_a_clocks_deviation_is_the_one_given_or_stays(place: Path) -> None:
    before = read_trial_plain(place).cameras[0].clock
    offset = {"kind": "clock-offset", "camera": "tip-view", "offset": "3 ms"}
    stays = mended(place, offset).cameras[0].clock
    given = mended(place, offset | {"offset_sd": "20 us"}).cameras[0].clock
    assert (stays.offset, stays.offset_sd) == (3e-3, before.offset_sd)
    assert (given.offset, given.offset_sd) == (3e-3, pytest.approx(2e-5))
    assert stays.offset_sd != given.offset_sd


def test_a_corrected_points_deviation_is_its_own(place: Path) -> None:
    point = {"kind": "correct-point", "camera": "tip-view", "feature": "tip", "u": 1.0, "v": 2.0}
    (camera,) = mended(place, point | {"frame": 3, "sd": 2.0}, point | {"frame": 6}).cameras
    assert camera.point_sd.tolist() == [0.4, 0.4, 0.4, 2.0, 0.4, 0.4, 0.4, 0.4, 0.4, 0.4]
    assert camera.uv[3].tolist() == camera.uv[6].tolist() == [1.0, 2.0]


def test_points_are_corrected_added_and_set_aside(place: Path) -> None:
    trial = mended(
        place,
        {
            "kind": "correct-point",
            "camera": "tip-view",
            "feature": "tip",
            "frame": 3,
            "u": 951.5,
            "v": 498.0,
        },
        {
            "kind": "correct-point",
            "camera": "tip-view",
            "feature": "tip",
            "frame": 40,
            "u": 900.0,
            "v": 480.0,
            "sd": 2.0,
        },
        {"kind": "reject-point", "camera": "tip-view", "feature": "tip", "from": 5, "to": 7},
    )
    (camera,) = trial.cameras
    assert camera.frame.tolist() == [0, 1, 2, 3, 4, 8, 9, 40]
    assert camera.uv[3].tolist() == [951.5, 498.0] and camera.uv[-1].tolist() == [900.0, 480.0]
    assert camera.point_sd[-1] == 2.0 and camera.point_sd[3] == 0.4
    assert (
        "mended by hand: tip in frame 3 of camera tip-view moved by 2.5 px to 951.5, 498 px."
        in trial.notes
    )


def test_stations_and_line(place: Path) -> None:
    trial = mended(
        place,
        {"kind": "station", "marker": "M2", "station": "52 cm", "reason": "measured again"},
        {"kind": "line-table", "table": "other.csv"},
        {"kind": "line-entry", "station": 0.5, "column": "linear_density", "value": "21 g/m"},
        {"kind": "clock-offset", "camera": "tip-view", "offset": "3 ms", "offset_sd": 1e-5},
    )
    assert trial.markers.station[1] == pytest.approx(0.52)
    assert trial.line.linear_density == pytest.approx([0.04, 0.021, 0.003])
    assert trial.cameras[0].clock.offset == pytest.approx(3e-3)
    assert "other.csv" in trial.hashes and "line.csv" not in trial.hashes
    assert (
        trial.hashes["trial.mends.toml"]
        == hashlib.sha256((place.parent / "trial.mends.toml").read_bytes()).hexdigest()
    )
    notes = [n for n in trial.notes if n.startswith("mended by hand")]
    assert len(notes) == 4 and notes[0].endswith("0.52 m (measured again).")


@pytest.mark.parametrize(
    "mend, field",
    [
        ({"kind": "station", "marker": "M9", "station": 0.2}, "mend[0].marker"),
        ({"kind": "station", "marker": "M2", "station": 4.0}, "markers.stations.M2"),
        ({"kind": "relabel-marker", "marker": "M1", "as": "M9"}, "mend[0].as"),
        ({"kind": "relabel-marker", "marker": "M1", "as": "M1"}, "mend[0].as"),
        ({"kind": "reject-marker", "marker": "M1", "from": 1, "to": 0}, "mend[0].to"),
        ({"kind": "reject-point", "camera": "x"}, "mend[0].camera"),
        ({"kind": "reject-point", "camera": "tip-view", "from": 1.5}, "mend[0].from"),
        (
            {
                "kind": "correct-point",
                "camera": "tip-view",
                "feature": "ear",
                "frame": 1,
                "u": 1,
                "v": 1,
            },
            "mend[0].feature",
        ),
        (
            {
                "kind": "correct-point",
                "camera": "tip-view",
                "feature": "tip",
                "frame": 1,
                "u": 9000,
                "v": 1,
            },
            "mend[0].u",
        ),
        ({"kind": "line-table", "table": "../x.csv"}, "line.table"),
        (
            {"kind": "line-entry", "station": 0.3, "column": "diameter", "value": 0.01},
            "mend[0].station",
        ),
        (
            {"kind": "line-entry", "station": 0.5, "column": "bending_stiffness", "value": 1.0},
            "mend[0].column",
        ),
        (
            {"kind": "clock-offset", "camera": "tip-view", "offset": 1, "marker": "M1"},
            "mend[0].marker",
        ),
    ],
)
def test_a_mend_at_fault_names_its_field(place: Path, mend: dict, field: str) -> None:
    with pytest.raises(InputError) as fault:
        mended(place, mend)
    assert fault.value.field == field


def test_comments_survive_a_rewrite() -> None:
    table = b'[[mend]]\nkind = "station" # by tape\nmarker = "M2"\nstation = 0.5\n'
    before = b"# why we do this\nschema = 1\n\n" + table
    kept = {"kind": "station", "marker": "M2", "station": 0.5}
    added = {"kind": "reject-marker", "marker": "M1", "from": 0.1, "to": None, "reason": 'a "word"'}
    text = mends_text([kept, added], before)
    assert b"# why we do this" in text and b"# by tape" in text
    read = [m.table for m in parse_mends(text, "x")]
    assert read == [kept, {k: v for k, v in added.items() if v is not None}]
