"""A trial that is written and read back is the same trial, whatever it holds."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings, strategies as st

from lashwave.files.trial_folder import read_trial
from lashwave.files.write_trial import write_trial
from lashwave.quantities.line import Droop, Line, Tuft
from lashwave.quantities.sightings import Camera, Clock, Markers, Window
from lashwave.quantities.trial import Air, Trial

# What is written is rounded to 1e-8 m, 1e-9 s and 1e-5 px: half of the last digit, and the
# rounding of a double at 100 m (1.4e-14) is far below.
METRE, SECOND, PIXEL = 0.51e-8, 0.51e-9, 0.51e-5
RELATIVE = 1e-12
"""A product of a number and a unit's factor, rounded twice."""

LABELS = st.text(
    st.characters(categories=["L", "N", "P", "S"], include_characters=" "), min_size=1, max_size=12
).map(str.strip)
SMALL = st.floats(0.0, 0.05)


@st.composite
def lines(draw: st.DrawFn) -> Line:
    rows = draw(st.integers(2, 6))
    steps = draw(st.lists(st.floats(0.05, 1.0), min_size=rows - 1, max_size=rows - 1))
    station = np.concatenate([[0.0], np.cumsum(steps)])

    def column(low: float, high: float) -> np.ndarray:
        return np.array(draw(st.lists(st.floats(low, high), min_size=rows, max_size=rows)))

    length = float(station[-1])
    droops = []
    if draw(st.booleans()):
        droops.append(Droop(0.5 * length, 0.04, 0.013, None, float("nan")))
        droops.append(Droop(0.7 * length, 0.05, None, 0.7, 0.01))
    return Line(
        station=station,
        diameter=column(1e-4, 0.02),
        linear_density=column(1e-4, 0.1),
        bending_stiffness=column(0.0, 1e-2) if draw(st.booleans()) else None,
        axial_stiffness=column(10.0, 1e5) if draw(st.booleans()) else None,
        column_sd={"diameter": column(0.0, 1e-3)} if draw(st.booleans()) else {},
        handle_length=draw(st.sampled_from([0.0, 0.2 * length])),
        ends=draw(st.sampled_from(["free", "held"])),
        tuft=draw(st.none() | st.builds(Tuft, SMALL, SMALL, SMALL)),
        droops=tuple(droops),
    )


def draw_markers(draw: st.DrawFn, length: float) -> Markers:
    labels = draw(st.lists(LABELS.filter(bool), min_size=1, max_size=4, unique=True))
    rate = draw(st.sampled_from([100.0, 500.0, 299.97, 1000.0 / 3.0]))
    first = draw(st.sampled_from([0.0, -0.2, 12.345]))
    random = np.random.default_rng(draw(st.integers(0, 2**31)))
    time = first + np.arange(60) / rate
    station = np.sort(random.uniform(0, length, len(labels)))
    if draw(st.booleans()) and len(labels) > 1:
        station[-1] = np.nan
    # Markers closer together than the line between them, so that the trial is plausible.
    position = random.uniform(-0.02, 0.02, (60, len(labels), 3))
    position[random.uniform(size=(60, len(labels))) < 0.2] = np.nan
    position[[0, -1]] = 0.001
    sd = np.full((60, len(labels)), 3e-4)
    if draw(st.booleans()):
        seen = np.isfinite(position[..., 0])
        sd[seen] = random.uniform(1e-4, 1e-3, seen.sum())
    loose = draw(st.integers(0, 3))
    return Markers(
        time,
        tuple(labels),
        position,
        sd,
        station,
        time[3 : 3 + loose],
        random.uniform(-1, 1, (loose, 3)),
        *draw(st.tuples(SMALL, SMALL, SMALL, SMALL)),
    )


@st.composite
def cameras(draw: st.DrawFn, name: str, length: float) -> Camera:
    count = draw(st.integers(1, 12))
    random = np.random.default_rng(draw(st.integers(0, 2**31)))
    lens = draw(st.booleans())
    return Camera(
        name=name,
        rate=draw(st.sampled_from([10e3, 20e3, 24999.5])),
        size=(1024, 512),
        projection=random.normal(size=(3, 4)),
        clock=Clock(draw(st.floats(-1, 1)), draw(st.floats(0, 0.1)), draw(st.floats(0, 1e-4))),
        sd=0.4,
        exposure=draw(st.floats(0, 4e-5)),
        shows=draw(st.sampled_from(["schlieren", "line", "dots"])),
        registration_sd=draw(st.floats(0, 5)),
        intrinsics=np.array([[900.0, 0, 500], [0, 900, 250], [0, 0, 1]]) if lens else None,
        distortion=random.normal(size=5) if lens else None,
        mirrored=draw(st.booleans()),
        window=draw(st.none() | st.just(Window(0, 0, 501, 501))),
        frame=np.sort(random.choice(1000, count, replace=False)),
        station=np.full(count, length),
        uv=random.uniform(0, 500, (count, 2)),
        point_sd=np.full(count, 0.4) if lens else random.uniform(0.1, 2, count),
        flashes=np.arange(0, 400, 40) if lens else np.empty(0, dtype=np.int64),
    )


@st.composite
def trials(draw: st.DrawFn) -> Trial:
    line = draw(lines())
    names = draw(st.lists(LABELS.filter(bool), max_size=2, unique=True))
    names = [n.replace(":", "-").replace("/", "-") + str(i) for i, n in enumerate(names)]
    return Trial(
        name=draw(LABELS.filter(bool)),
        line=line,
        markers=draw_markers(draw, line.length),
        cameras=tuple(draw(cameras(name, line.length)) for name in names),
        air=Air(draw(st.floats(250, 320)), draw(st.floats(5e4, 1.1e5)), draw(st.floats(0, 1))),
        gravity=np.array([0.1, 0.0, -9.81]),
        specimen=draw(st.none() | LABELS.filter(bool)),
        date=draw(st.none() | st.just("2026-05-04")),
    )


def same(a: object, b: object, absolute: float = 0.0) -> None:
    if a is None or b is None:
        assert a is b
    else:
        np.testing.assert_allclose(np.asarray(b), np.asarray(a), rtol=RELATIVE, atol=absolute)


def assert_same(a: Trial, b: Trial) -> None:
    assert (a.name, a.specimen, a.date, a.air) == (b.name, b.specimen, b.date, b.air)
    same(a.gravity, b.gravity)
    for key in ("station", "diameter", "linear_density", "bending_stiffness", "axial_stiffness"):
        same(getattr(a.line, key), getattr(b.line, key))
    assert a.line.column_sd.keys() == b.line.column_sd.keys()
    assert (a.line.handle_length, a.line.ends) == (b.line.handle_length, b.line.ends)
    assert a.line.tuft == b.line.tuft
    for x, y in zip(a.line.droops, b.line.droops, strict=True):
        assert (x.station, x.overhang, x.drop, x.angle) == (y.station, y.overhang, y.drop, y.angle)
        same(x.drop_sd, y.drop_sd)
    m, n = a.markers, b.markers
    assert m.labels == n.labels
    same(m.time, n.time, SECOND)
    same(m.position, n.position, METRE)
    seen = np.isfinite(m.position[..., 0])
    same(m.sd[seen], n.sd[seen])
    same(m.station, n.station)
    same(m.unlabelled_time, n.unlabelled_time, SECOND)
    same(m.unlabelled_position, n.unlabelled_position, METRE)
    assert (m.mass, m.diameter, m.station_sd, m.stand_off) == (
        n.mass, n.diameter, n.station_sd, n.stand_off,
    )  # fmt: skip
    for c, d in zip(a.cameras, b.cameras, strict=True):
        plain = (
            "name",
            "rate",
            "size",
            "clock",
            "sd",
            "exposure",
            "shows",
            "registration_sd",
            "mirrored",
            "window",
        )
        assert [getattr(c, k) for k in plain] == [getattr(d, k) for k in plain]
        for key in ("projection", "intrinsics", "distortion", "frame", "station", "flashes"):
            same(getattr(c, key), getattr(d, key))
        same(c.point_sd, d.point_sd)
        same(c.uv, d.uv, PIXEL)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(trials())
def test_a_trial_written_and_read_is_the_same(trial: Trial) -> None:
    with tempfile.TemporaryDirectory() as place:
        write_trial(Path(place) / "trial", trial)
        again = read_trial(Path(place) / "trial")
    assert_same(trial, again)
    assert set(again.hashes) >= {"trial.toml", "line.csv", "markers.csv"}


def test_the_comparison_can_fail(tmp_path: Path) -> None:
    line = Line(np.array([0.0, 2.0]), np.array([8e-3, 1e-3]), np.array([0.03, 1e-3]))
    time = np.arange(20) / 500
    sd, station = np.full((20, 1), 3e-4), np.array([1.0])
    one = Trial("a", line, Markers(time, ("M",), np.full((20, 1, 3), 0.1), sd, station))
    two = Trial("a", line, Markers(time, ("M",), np.full((20, 1, 3), 0.1 + 2e-8), sd, station))
    write_trial(tmp_path / "t", one)
    assert_same(one, read_trial(tmp_path / "t"))
    try:
        assert_same(two, read_trial(tmp_path / "t"))
    except AssertionError:
        return
    raise AssertionError("20 nm were not seen")


def test_a_folder_that_holds_anything_is_not_written_to(tmp_path: Path) -> None:
    line = Line(np.array([0.0, 2.0]), np.array([8e-3, 1e-3]), np.array([0.03, 1e-3]))
    markers = Markers(
        np.arange(20) / 500, ("M",), np.zeros((20, 1, 3)), np.full((20, 1), 1e-3), np.array([1.0])
    )
    (tmp_path / "mine.txt").write_text("mine")
    try:
        write_trial(tmp_path, Trial("a", line, markers))
    except FileExistsError:
        assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]
    else:
        raise AssertionError("it was written to")
