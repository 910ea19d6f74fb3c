"""What the pages read, against the straight swinging line that the trial was made of."""

from __future__ import annotations

import csv
import io
import json
import shutil
import time
import zipfile
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from starlette.testclient import TestClient

from lashwave.files.source import Folder
from lashwave.files.still_files import write_frames
from lashwave.quantities import chosen_times
from lashwave.serving import motion_pack
from lashwave.serving.motion_pack import chosen_stations
from lashwave.serving.opened import place_of
from lashwave.serving.replies import unpack
from lashwave.workbench.cli import main

from .conftest import client_of

CORNER = np.array([[400.0, 0, 0, 100], [0, 0, -400.0, 900]])
"""Of the trial's camera: px a metre, px."""


def along(t: np.ndarray) -> np.ndarray:
    """(T, 3) direction of the line: it turns by sin(pi t / 0.6) in the plane of x and z."""
    angle = np.sin(np.pi * t / 0.6)
    return np.stack([np.cos(angle), 0 * angle, np.sin(angle)], axis=-1)


def test_the_list(client: TestClient) -> None:
    listed = client.get("/api/trials").json()
    (row,) = listed["trials"]
    assert row["id"] == "trial" and row["name"] == "bench-test" and row["broken"] is None
    assert row["verdict"] in ("usable", "care") and row["answered"] and not row["stale"]
    assert row["gaps"] == 0.0 and row["mends"] == 0 and not row["running"]
    # the tip of 2 m at pi / 0.6 rad/s at the start, by hand; the stand-in's draws scatter by 1 %
    assert row["peak_tip_speed"][0] == pytest.approx(2 * np.pi / 0.6, rel=0.01)


def test_residuals_come_later_and_are_right(client: TestClient) -> None:
    for _ in range(100):
        rms = client.get("/api/trials").json()["trials"][0]["residual_rms"]
        if rms is not None:
            break
        time.sleep(0.02)
    # half a standard deviation each, says the stand-in's fit
    assert rms == pytest.approx(0.5, rel=1e-6)


def test_a_trial(client: TestClient) -> None:
    record = client.get("/api/trials/trial").json()
    assert record["line"]["length"] == 2.0 and record["line"]["handle_length"] == 0.2
    # Mass between rows by the trapezoid: 0.03 kg and 0.012 kg.
    assert record["line"]["mass"] == pytest.approx(0.042)
    assert record["markers"]["stations"]["M03"] == 0.5 and record["markers"]["rate"] == 500.0
    (camera,) = record["cameras"]
    assert camera["projection"][0] == [400.0, 0.0, 0.0, 100.0] and camera["frames"] == 0
    assert (camera["first_frame"], camera["last_frame"]) == (4000, 4099)
    assert record["answers_dir"] == "trial.answers"
    assert [e["time"] for e in record["events"]] == sorted(e["time"] for e in record["events"])
    assert "peak tip speed" in [e["name"] for e in record["events"]]


def test_the_motion(client: TestClient) -> None:
    arrays, header = unpack(client.get("/api/trials/trial/motion").content)
    t, s = arrays["time"], arrays["station"]
    expected = s[None, :, None] * along(t)[:, None]
    assert np.abs(arrays["position"] - expected).max() < 1e-6  # of 2 m in float32
    assert not header["thinned"] and header["lists"]["tip_speed"]["unit"] == "m s-1"
    assert arrays["tip_speed"].shape == arrays["hand_force_low"].shape == t.shape
    assert arrays["position_sd"] == pytest.approx(1e-3)


def test_few_times_say_that_there_are_more(client: TestClient, monkeypatch: Any) -> None:
    monkeypatch.setattr(motion_pack, "FEW", 50)
    whole, _ = unpack(client.get("/api/trials/trial/motion").content)
    few, header = unpack(client.get("/api/trials/trial/motion?few=1").content)
    assert few["time"].size <= 50 < whole["time"].size and header["more"]
    at = np.searchsorted(whole["time"], few["time"])
    for name in ("position", "velocity", "tension", "tip_speed"):
        assert np.array_equal(few[name], whole[name][at], equal_nan=True), name
    # What the maps go up to is of all times, not of these few.
    speed = np.linalg.norm(whole["velocity"], axis=-1)
    assert header["tops"]["speed"] == pytest.approx([speed.max()] * 2)
    assert speed[at].max() == speed.max()


def test_sightings_and_their_trust(client: TestClient) -> None:
    arrays, header = unpack(client.get("/api/trials/trial/sightings").content)
    assert header["labels"] == [f"M{i:02d}" for i in range(1, 7)] and header["cameras"] == [
        "tip-view"
    ]
    assert header["features"] == [["tip"]] and header["stations"][2] == 0.5
    assert arrays["marker_weight"] == pytest.approx(1.0)
    t = arrays["cam0_time"]
    assert t == pytest.approx(np.arange(4000, 4100) / 2e4, abs=1e-4)
    assert arrays["cam0_weight"] == pytest.approx(0.05)
    assert "distrusted" in header["reasons"]["tip-view"]


def test_the_overlay(client: TestClient) -> None:
    arrays, _ = unpack(client.get("/api/trials/trial/overlay?camera=tip-view").content)
    place = arrays["station"][None, :, None] * along(arrays["time"])[:, None]
    by_hand = place @ CORNER[:, :3].T + CORNER[:, 3]
    assert np.abs(arrays["line_uv"] - by_hand).max() < 0.01  # px; Hermite between 2 ms samples
    assert np.array_equal(arrays["tip_uv"], arrays["line_uv"][:, -1])
    assert client.get("/api/trials/trial/overlay?camera=none").status_code == 404


def test_the_thumbnail_is_xml_with_curves(client: TestClient) -> None:
    root = ElementTree.fromstring(client.get("/api/trials/trial/thumbnail.svg").text)
    assert len(root.findall("{http://www.w3.org/2000/svg}polyline")) == 12


def test_pictures_are_stretched_alike(bench: Path) -> None:
    images = [np.full((1024, 1024), 1000 + 100 * k, np.uint16) for k in range(11)]
    write_frames(bench / "trial" / "frames", "f-{:03d}.png", images, 16)
    text = (bench / "trial" / "trial.toml").read_text()
    text = text.replace("[[cameras]]", '[[cameras]]\nframes = "frames/*.png"')
    (bench / "trial" / "trial.toml").write_text(text)
    with client_of(bench) as client:
        (camera,) = client.get("/api/trials/trial").json()["cameras"]
        assert camera["frames"] == 11 and camera["first_frame"] == 0
        seen = []
        for k in (0, 5, 10):
            answer = client.get(f"/api/trials/trial/frames/tip-view/{k}.png")
            assert answer.headers["cache-control"] == "private, max-age=3600"
            seen.append(cv2.imdecode(np.frombuffer(answer.content, np.uint8), -1))
        assert all(i.dtype == np.uint8 and i.shape == (1024, 1024) for i in seen)
        assert [int(i[0, 0]) for i in seen] == [0, 127, 255]
        webp = client.get("/api/trials/trial/frames/tip-view/3.webp")
        assert webp.content[8:12] == b"WEBP"
        for wrong in ("11.png", "-1.png", "1.5", "x", "1.gif"):
            assert client.get(f"/api/trials/trial/frames/tip-view/{wrong}").status_code == 404


def test_exports(client: TestClient, bench: Path) -> None:
    text = client.get("/api/trials/trial/list.csv?list=tip_speed").text
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0] == [
        "time [s]",
        "tip_speed [m s-1]",
        "tip_speed_low [m s-1]",
        "tip_speed_high [m s-1]",
    ]
    assert len(rows) == 302
    wide = client.get("/api/trials/trial/list.csv?list=tension").text.splitlines()
    assert wide[0].startswith("time [s],tension at 0 m [N]") and len(wide) == 302
    assert client.get("/api/trials/trial/list.csv?list=none").status_code == 404
    packed = zipfile.ZipFile(io.BytesIO(client.get("/api/trials/trial/answers.zip").content))
    assert packed.testzip() is None
    held = packed.read("trial/summary.json")
    assert held == (bench / "trial.answers" / "summary.json").read_bytes()
    (bench / "trial.answers" / "report.pdf").unlink()
    assert "report.pdf" in client.get("/api/trials/trial/report.pdf").json()["error"]
    (bench / "trial.answers" / "report.pdf").write_bytes(b"%PDF-1.7")
    assert client.get("/api/trials/trial/report.pdf").content == b"%PDF-1.7"


def test_answers_are_bound_by_their_inputs_never_by_a_name(bench: Path) -> None:
    (bench / "trial.answers").rename(bench / "out")
    shutil.copytree(bench / "trial", bench / "never-run")
    markers = bench / "never-run" / "markers.csv"
    markers.write_text(markers.read_text().rsplit("\n", 2)[0] + "\n")  # one row less
    with client_of(bench) as client:
        assert client.get("/api/trials/trial").json()["answers_dir"] == "out"
        record = client.get("/api/trials/never-run").json()
        assert record["name"] == "bench-test" and record["answers_dir"] is None
        assert record["offered"] == ["out"] and record["quantities"] == {}
        assert client.get("/api/trials/never-run/motion").status_code == 204
        rows = {row["id"]: row for row in client.get("/api/trials").json()["trials"]}
        assert rows.keys() == {"trial", "never-run"} and not rows["never-run"]["answered"]
        toml = bench / "trial" / "trial.toml"
        toml.write_text(toml.read_text() + "\n# a word more\n")
        assert client.get("/api/trials/trial").json()["answers_dir"] is None
        (bench / "out").rename(bench / "trial.answers")  # its own by place: shown, as stale
        record = client.get("/api/trials/trial").json()
        assert record["answers_dir"] == "trial.answers" and record["stale"]


def test_answers_of_other_pictures_are_not_taken(bench: Path) -> None:
    """Pictures are no part of what is read to look, so they are hashed to bind an answer."""
    images = [np.full((1024, 1024), 1000 + 100 * k, np.uint16) for k in range(2)]
    write_frames(bench / "trial" / "frames", "f-{:03d}.png", images, 16)
    text = (bench / "trial" / "trial.toml").read_text()
    text = text.replace("[[cameras]]", '[[cameras]]\nframes = "frames/*.png"')
    (bench / "trial" / "trial.toml").write_text(text)
    folder = Folder(bench / "trial")
    folder.files("frames/*.png", "", None, "")
    summary = bench / "trial.answers" / "summary.json"
    record = json.loads(summary.read_text())
    with client_of(bench) as client:
        hashes = client.app.state.lashwave.reader.trial("trial").hashes  # type: ignore[attr-defined]
    record["provenance"]["inputs"] = {**hashes, **folder.hashes}
    summary.write_text(json.dumps(record))
    (bench / "trial.answers").rename(bench / "out")
    with client_of(bench) as client:
        assert client.get("/api/trials/trial").json()["answers_dir"] == "out"
        images[1] += 5
        write_frames(bench / "trial" / "frames", "f-{:03d}.png", images, 16)
        assert client.get("/api/trials/trial").json()["answers_dir"] is None


def test_answers_without_their_trial_are_shown_alone(bench: Path) -> None:
    shutil.rmtree(bench / "trial")
    (bench / "trial.answers").rename(bench / "found")
    with client_of(bench) as client:
        (row,) = client.get("/api/trials").json()["trials"]
        assert row["id"] == "found" and row["alone"] and row["answered"]
        record = client.get("/api/trials/found").json()
        assert record["alone"] and record["line"]["length"] == 2.0 and record["quantities"]
        arrays, _ = unpack(client.get("/api/trials/found/motion").content)
        assert arrays["position"].shape[1] > 1
        assert client.get("/api/trials/found/sightings").status_code == 200
        assert client.post("/api/trials/found/run").status_code == 409
    assert place_of(bench / "found") == (bench.resolve(), "#/trial/found")
    assert place_of(bench) == (bench.resolve(), "")


def test_a_trial_or_its_answers_may_be_opened(bench: Path) -> None:
    expected = (bench.resolve(), "#/trial/trial")
    assert place_of(bench / "trial") == place_of(bench / "trial.answers") == expected
    (bench / "trial.answers").rename(bench / "elsewhere")
    assert place_of(bench / "elsewhere") == expected
    with client_of(bench.parent) as client:
        listed = client.get("/api/trials").json()
        assert listed["below"] == ([] if listed["trials"] else ["bench"])


def test_an_empty_folder_a_broken_trial_and_one_without_camera(tmp_path: Path) -> None:
    with client_of(tmp_path) as client:
        assert client.get("/api/trials").json()["trials"] == []
        (tmp_path / "broken").mkdir()
        (tmp_path / "broken" / "trial.toml").write_text("schema = 1\n[trial\n")
        (row,) = client.get("/api/trials").json()["trials"]
        assert "line 2" in row["broken"] and row["verdict"] == "unusable"
        answer = client.get("/api/trials/broken")
        assert answer.status_code == 422 and "line 2" in answer.json()["error"]
        assert client.get("/api/trials/broken/motion").status_code == 422


def test_a_trial_without_camera_and_answers(folder: Path) -> None:
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(text[: text.index("[[cameras]]")])
    with client_of(folder.parent) as client:
        record = client.get("/api/trials/trial").json()
        assert record["cameras"] == [] and record["answers_dir"] is None
        assert client.get("/api/trials/trial/motion").status_code == 204
        arrays, _ = unpack(client.get("/api/trials/trial/sightings").content)
        assert np.isnan(arrays["marker_weight"]).all()


def test_thinning_keeps_what_is_fast() -> None:
    t = np.sort(np.random.default_rng(0).uniform(0, 1, 20_000))
    speed = 5.0 + 400.0 * np.exp(-0.5 * ((t - 0.8) / 2e-3) ** 2)
    k = chosen_times(t, speed)
    assert k.size <= 5000 and k[0] == 0 and k[-1] == t.size - 1 and np.argmax(speed) in k
    near = np.abs(t - 0.8) < 2e-3
    assert np.isin(np.flatnonzero(near), k).mean() > 0.95 > k.size / t.size
    assert np.diff(t[k]).max() < 2e-3
    s = chosen_stations(1000)
    assert s.size == 200 and s[0] == 0 and s[-1] == 999


def test_a_million_sightings_are_thinned_and_said_so(folder: Path, monkeypatch) -> None:
    from lashwave.serving import sightings_pack as sightings

    monkeypatch.setattr(sightings, "MOST", 500)  # 1,906 sightings stand for a million
    with client_of(folder.parent) as client:
        arrays, header = unpack(client.get("/api/trials/trial/sightings").content)
    sent = arrays["marker_weight"].size + arrays["cam0_frame"].size
    assert 250 < sent <= 510 and "every 4th sample of 1906" in header["note"]


def test_the_table_of_a_campaign_where_there_is_one(tmp_path: Path) -> None:
    (tmp_path / "spring").mkdir()
    (tmp_path / "spring" / "campaign.csv").write_text("throw,peak [m/s]\na,312.5\nb,\n", "utf-8")
    with client_of(tmp_path) as client:
        assert client.get("/api/campaigns").json() == {"campaigns": ["spring"]}
        table = client.get("/api/campaigns/spring").json()
        assert table["head"] == ["throw", "peak [m/s]"]
        assert table["rows"] == [["a", "312.5"], ["b", ""]]
        for wrong in ("none", "..", "%2e%2e"):
            assert client.get(f"/api/campaigns/{wrong}").status_code == 404


def test_only_folders_of_instruments_are_offered_for_a_new_trial(tmp_path: Path) -> None:
    """Not what this program wrote: answers, a campaign, the truth of a simulated throw."""
    files = {
        "raw": ("markers.csv", "tip/0001.tif", "notes.pdf"),
        "demo-truth": ("truth.json", "truth.nc", "also.csv"),
        "truth-pictures": ("births.json", "fronts.csv"),
        "spring": ("campaign.csv",),
        "one.answers": ("summary.json", "figures/tip.csv"),
        "letters": ("letter.pdf",),
    }
    for folder, names in files.items():
        for name in names:
            place = tmp_path / folder / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.touch()
    with client_of(tmp_path) as client:
        offered = client.get("/api/new/folders").json()["folders"]
    assert offered == [{"path": "raw", "files": 2}]


def test_a_trial_of_pictures_has_one_verdict_everywhere(tmp_path: Path, capsys) -> None:
    """The command and the pages: markers that are still in the images are a matter of care."""
    lines = ["station [m],diameter [mm],linear_density [g/m]", "0,8,50", "2,1,2"]
    write_frames(tmp_path / "trial" / "ir", "{:04d}.png", [np.zeros((8, 8), np.uint16)] * 3, 16)
    (tmp_path / "trial" / "line.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "trial" / "trial.toml").write_text(OF_PICTURES, encoding="utf-8")
    assert main(["check", str(tmp_path / "trial"), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["verdict"] == "usable with care"
    care = [f"{f['about']}: {f['text']}" for f in said["findings"] if f["level"] == "care"]
    with client_of(tmp_path) as client:
        (row,) = client.get("/api/trials").json()["trials"]
        page = client.get("/api/trials/trial").json()
    assert row["verdict"] == page["verdict"] == "care"
    assert row["reasons"] == page["reasons"] == care and "still in the pictures" in care[0]


OF_PICTURES = """schema = 1
[trial]
name = "pictures"
[line]
table = "line.csv"
[markers]
file = "markers.csv"
stations = { A = "0.1 m", B = "0.5 m" }
[[cameras]]
name = "ir"
rate = "500 Hz"
size = [8, 8]
shows = "dots"
frames = "ir/*.png"
projection = [[1.0, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0]]
sd = "0.3 px"
clock = { offset = "0 s", offset_sd = "0 s" }
"""
