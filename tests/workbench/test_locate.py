"""`locate` on rendered pictures and sound of a throw whose truth is known, files and all."""

import json

import numpy as np
import pytest

from lashwave.files.trial_folder import read_pictures, read_trial
from lashwave.pipeline import console, locate
from lashwave.twin.instrument_setting import Setting
from lashwave.twin.pictures import take
from lashwave.workbench import bench_pictures
from lashwave.workbench.cli import main
from tests.twin.rigid import rigid_throw


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Pictures as files, and what should be found in them."""
    out = tmp_path_factory.mktemp("bench")
    setting = Setting(frames=30, infrared=3, infrared_size=(640, 512))
    taken = take(*rigid_throw(flashes=True), setting)
    bench_pictures.write(taken, console.silent, out)
    return out, taken


@pytest.fixture(scope="module")
def located(bench):
    out, _ = bench
    place = out / "located"
    assert main(["locate", str(out / "trial"), "--out", str(place), "--quiet"]) == 0
    return place


def test_markers_get_their_own_labels(bench, located):
    _, taken = bench
    found, true = read_trial(located).markers, taken.trial.markers
    near = 0
    for column, label in enumerate(found.labels):
        if np.isnan(found.station[column]):
            continue
        other = true.position[:, true.labels.index(label)]
        off = np.linalg.norm(found.position[:, column] - other, axis=1)
        off = off[np.isfinite(off)]
        # 5 sd of what these cameras give (0.63 mm): a user fits to that; no label is wrong
        assert off.max() < 3e-3, label
        near += off.size
    seen = int(np.isfinite(true.position[:, ~true.on_handle, 0]).sum())
    # The drawn line rests, leaps in one sample, and rests: 516 of 981 points are labelled, for a
    # label is kept on one side of a leap that no marker makes. A user's line moves in between.
    assert near > 0.5 * seen


def test_tip_and_flashes_are_where_they_were_drawn(bench, located):
    _, taken = bench
    (camera,) = read_trial(located).cameras
    true = {frame: (u, v) for _, frame, u, v in taken.found["tip"]}
    assert camera.frame.size > 0.7 * len(true)  # 19 of 23 are found
    off = [camera.uv[k] - true[int(f)] for k, f in enumerate(camera.frame)]
    # The tips beside strong fronts are walked to, and good to a pixel or two.
    assert np.median(np.linalg.norm(off, axis=1)) < 0.75
    assert np.max(np.linalg.norm(off, axis=1)) < 2.5
    assert set(camera.flashes.tolist()) <= {
        f + d for f in taken.found["flashes"]["tip-view"] for d in (-1, 0, 1)
    }


def test_what_the_ring_leaves_open_widens_the_fast_cameras_offset(bench, located):
    out, _ = bench
    (fast,) = [c for c in read_pictures(out / "trial").trial.cameras if c.shows != "dots"]
    (camera,) = read_trial(located).cameras
    more = np.sqrt(camera.registration_sd**2 - fast.registration_sd**2)
    # The ring states nothing, so 0.2 px in each of three cameras: some 0.1 to 0.5 mm in space.
    scale = np.linalg.norm(fast.projection[:2, :3], axis=1).mean() / 1e3
    assert 0.05 * scale < more < scale


def test_contact_sheets_are_pictures(located):
    sheets = sorted(path.name for path in located.glob("*.png"))
    assert sheets == [
        "infrared-1.png", "infrared-2.png", "infrared-3.png", locate.HEALTH, "tip-view.png",
    ]  # fmt: skip
    assert all((located / s).read_bytes().startswith(b"\x89PNG") for s in sheets)
    assert not (located / locate.KEPT).exists()


def test_a_stopped_run_goes_on_where_it_was(bench, tmp_path, monkeypatch, capsys):
    out, _ = bench
    place = tmp_path / "located"

    def stop(*_):
        raise KeyboardInterrupt

    told = []
    monkeypatch.setattr(locate, "_fast", stop)
    with pytest.raises(KeyboardInterrupt):
        locate.run(out / "trial", place, lambda *now: told.append(now), as_json=True)
    monkeypatch.undo()
    assert [p.name for p in place.iterdir()] == [locate.KEPT]
    again = []
    assert locate.run(out / "trial", place, lambda *now: again.append(now), as_json=True) == 0
    assert not any("dots" in stage for stage, _ in again)  # kept from the first run
    found = json.loads(capsys.readouterr().out)
    assert found["cameras"]["tip-view"]["tip"] > 0
    # The bar that a user sees goes through all stages and never back.
    for run, stages in ((told, ("dots of", "points in", "labels")), (again, ("tip in", "fronts"))):
        shares = [share for _, share in run]
        assert shares == sorted(shares) and shares[0] >= 0.0 and shares[-1] <= 1.0
        assert all(any(stage.startswith(one) for stage, _ in run) for one in stages)
    assert told[-1][1] > 0.5 and again[-1][1] > 0.9


def test_a_trial_without_pictures_is_refused(bench, tmp_path, capsys):
    out, _ = bench
    status = main(["locate", str(out / "seen"), "--out", str(tmp_path / "none"), "--quiet"])
    assert status == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert not (tmp_path / "none").exists()
