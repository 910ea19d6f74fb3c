"""More of what `make fuzz` damages: a camera's clock, exposure and lens, cine pictures, a wand."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchmarks.fuzz_targets import Target, of_file, of_toml

SIZE, COUNT, RATE, FAST = (64, 48), 100, 500.0, 2_000.0
TRIAL = """schema = 1
[trial]
name = "timed"
[line]
table = "line.csv"
[markers]
file = "markers.c3d"
sd = "0.3 mm"
exposure = "1 ms"
[markers.stations]
M1 = 0.1
M2 = 1.0
[[cameras]]
name = "stamped"
rate = "1 kHz"
exposure = "0.9 ms"
size = [1280, 960]
calibration = "wide.toml"
times = "times.csv"
strobe = "strobe.csv"
points = "tip.csv"
sd = "0.4 px"
stations = { tip = "2.4 m" }
[[cameras.events]]
time = "3 ms"
time_sd = "0.1 ms"
frame = 2
[[cameras]]
name = "pulsed"
rate = "250 Hz"
exposure = "3.9 ms"
size = [1280, 960]
window = [320, 240, 640, 480]
mirrored = true
marks = "marks.csv"
register = true
projection = [[500.0, 0, 0, 640], [0, 0, -500.0, 480], [0, 0, 0, 1]]
points = "tip.csv"
sd = "0.4 px"
stations = { tip = "2.4 m" }
clock = { drift_sd = 1e-4 }
pulses = [
  { what = "trigger", channel = "Trigger", frame = 3, delay = "10 us", delay_sd = "1 us" },
  { what = "frames", channel = "Sync", edge = "falling", level = "2.5 V" },
  { what = "flashes", channel = "Lamp", edge = "middle" },
]
"""
WAND = """kind = "wand"
sd = "0.2 px"
[wand]
dots = ["A", "B", "C"]
gaps = ["150 mm", "350 mm"]
length_sd = "0.1 mm"
known = "floor.csv"
known_sd = "0.5 mm"
"""


def made(root: Path) -> None:
    """The folders that are damaged."""
    _timed(root / "timed")
    _cine(root / "cine")
    _wand(root / "wand")


def _timed(folder: Path) -> None:
    """A trial of two cameras: stamps and a fisheye lens, and pulses beside the markers."""
    import ezc3d

    from lashwave.files.calibration_toml import write_calibration
    from lashwave.quantities.calibration import Calibration

    folder.mkdir()
    (folder / "trial.toml").write_text(TRIAL)
    (folder / "line.csv").write_text(
        "station,diameter [mm],linear_density [g/m]\n0,8,30\n2.4,1,1\n"
    )
    rows = "".join(f"{k},tip,{600 + k},{400 + k}\n" for k in range(9))
    (folder / "tip.csv").write_text("frame,feature,u,v\n" + rows)
    corners = ((0, 0), (0.4, 0), (0, 0.4), (0.4, 0.4), (0.2, 0.1))
    seen = "".join(f"P{k},{x},4,{z},{640 + 500 * x},{480 - 500 * z}\n" for k, (x, z) in
                   enumerate(corners))  # fmt: skip
    (folder / "marks.csv").write_text("point,x [m],y [m],z [m],u [px],v [px]\n" + seen)
    kept = (k for k in range(30) if k not in (3, 4, 9))
    rows = "".join(f"{k},{12.5 + 1e-3 * k:.6f}\n" for k in kept)
    (folder / "times.csv").write_text("frame,time [s]\n" + rows)
    rows = "".join(f"{0.01 + 0.02 * k:.6f}\n" for k in range(9))
    (folder / "strobe.csv").write_text("time [s]\n" + rows)
    inner = np.array([[520.0, 0, 642.0], [0, 523.0, 478.0], [0, 0, 1.0]])
    placed = inner @ np.column_stack([np.eye(3), [0.0, 0.0, 4.0]])
    lens = Calibration((1280, 960), placed, inner, np.array([0.06, -0.012, 0.004, -0.0008]))
    write_calibration(folder / "wide.toml", lens, {})
    file = ezc3d.c3d()
    point, analog = file["parameters"]["POINT"], file["parameters"]["ANALOG"]
    point["RATE"]["value"], point["LABELS"]["value"] = [RATE], ["M1", "M2"]
    point["UNITS"]["value"] = ["m"]
    places = np.ones((4, 2, COUNT))
    places[0, 1] = 0.2
    file["data"]["points"] = places
    analog["RATE"]["value"], analog["LABELS"]["value"] = [FAST], ["Trigger", "Sync", "Lamp"]
    at = np.arange(int(COUNT * FAST / RATE)) / FAST
    beats = ([0.05], 0.01 + np.arange(40) / 249.3, 0.01 + np.arange(15) / 100.0)
    channels = [
        5.0 * ((at >= np.array(t)[:, None]) & (at < np.array(t)[:, None] + 1.5e-3)).any(axis=0)
        for t in beats
    ]
    file["data"]["analogs"] = np.stack(channels)[None]
    file.write(str(folder / "markers.c3d"))


def _cine(folder: Path) -> None:
    """A grey negative with a small view in front, and an MXF film."""
    import av

    from tests.files.test_cine_files import negative

    folder.mkdir()
    drawn = np.random.default_rng(0)
    shown = [drawn.integers(0, 4096, SIZE[::-1]).astype(np.uint16) for _ in range(3)]
    negative(folder / "shot.dng", shown[0])
    with av.open(str(folder / "film.mxf"), "w") as container:
        stream = container.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "gray16le"
        stream.codec_context.thread_count = 1
        for picture in shown:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="gray16le")))
        container.mux(stream.encode())


def _wand(folder: Path) -> None:
    """A wand before two cameras by tables, and the same by films of few images."""
    from lashwave.calibrate import Wand
    from lashwave.calibrate.pinhole import project_points
    from lashwave.files.calibration_toml import write_calibration
    from tests.calibrate import test_wand as wands
    from tests.workbench.test_wand_films import draw, rig

    folder.mkdir()
    wand = wands.waved(12, Wand(np.array([0.0, 0.15, 0.5])))
    both = np.concatenate([wand, np.tile(wands.FLOOR, (len(wand), 1, 1))], axis=1)
    cut = wands.LENS.copy()
    cut[:4] *= 480 / wands.SIZE[0]
    lens = wands.calibration_of(np.append(cut, np.zeros(6)), (), np.empty((0, 0)), (480, 384))
    by_table = by_film = WAND
    names = ["A", "B", "C", *(f"F{k}" for k in range(len(wands.FLOOR)))]
    for number, (name, full) in enumerate(zip(("left", "right"), rig(), strict=False)):
        write_calibration(folder / f"{name}-lens.toml", lens, {})
        uv = project_points(full, both.reshape(-1, 3))[0].reshape(*both.shape[:2], 2)
        rows = [
            f"{f},{label},{u:.3f},{v:.3f}\n"
            for f, one in enumerate(uv)
            for label, (u, v) in zip(names, one, strict=True)
            if 0 < u < 479 and 0 < v < 383
        ]
        (folder / f"{name}.csv").write_text("frame,point,u,v\n" + "".join(rows))
        draw(folder / f"{name}.tif", full, both, number)
        head = f'[[cameras]]\nname = "{name}"\nlens = "{name}-lens.toml"\n'
        by_table += f'{head}seen = "{name}.csv"\n'
        by_film += f'{head}frames = "{name}.tif"\nstill = "{name}.tif"\n'
    rows = [f"F{k},{x},{y},{z}\n" for k, (x, y, z) in enumerate(wands.FLOOR)]
    (folder / "floor.csv").write_text("point,x [m],y [m],z [m]\n" + "".join(rows))
    (folder / "tables.toml").write_text(by_table)
    (folder / "films.toml").write_text(by_film)
    plan = 'kind = "points"\n[points]\nmodel = "pose"\nknown = "floor.csv"\nseen = "floor-0.csv"\n'
    (folder / "pose.toml").write_text(f'{plan}[camera]\nname = "left"\nlens = "left-lens.toml"\n')
    rows = [row for row in (folder / "left.csv").read_text().splitlines() if row.startswith("0,F")]
    (folder / "floor-0.csv").write_text("frame,point,u,v\n" + "\n".join(rows) + "\n")


def targets(root: Path) -> list[Target]:
    """Every reader of these folders."""
    from lashwave.files.frame_files import open_frames
    from lashwave.files.source import Folder
    from lashwave.files.trial_folder import read_pictures, read_with_faults
    from lashwave.pipeline import checkup
    from lashwave.pipeline.moved_cameras import registered

    timed, cine = root / "timed", root / "cine"

    def checked() -> None:
        read_with_faults(timed)
        pictures = registered(read_pictures(timed))[0]
        checkup.inspect(pictures.trial)

    def opened(name: str) -> Callable[[], object]:
        def act() -> None:
            frames = open_frames(Folder(cine), name, "trial.toml", 1, "frames", SIZE)
            for i in range(min(len(frames), 3)):
                frames[i]

        return act

    found = [
        of_file(timed / "trial.toml", checked, text=True, share=1.5, name="timed trial.toml"),
        of_toml(timed / "trial.toml", checked, "timed trial.toml of odd values", 1.5),
        of_file(timed / "times.csv", checked, text=True),
        of_file(timed / "strobe.csv", checked, text=True, share=0.5),
        of_file(timed / "marks.csv", checked, text=True, share=0.5),
        of_file(timed / "wide.toml", checked, text=True),
        of_file(timed / "markers.c3d", checked, text=False, share=2, name="c3d with pulses"),
        of_file(cine / "shot.dng", opened("shot.dng"), text=False, share=1.5),
        of_file(cine / "film.mxf", opened("film.mxf"), text=False, share=1.5),
    ]
    return found + _calibrations(root / "wand")


def _calibrations(folder: Path) -> list[Target]:
    """Plans of `calibrate` and what they name."""
    from lashwave.pipeline import silent
    from lashwave.workbench import calibrate_run

    def act(plan: str) -> Callable[[], object]:
        def run() -> None:
            out = folder / "out"
            out.mkdir(exist_ok=True)
            try:
                calibrate_run.run(folder / plan, out / "c.toml", silent)
            finally:
                shutil.rmtree(out, ignore_errors=True)

        return run

    def text(file: str, plan: str, share: float = 0.5) -> Target:
        return of_file(folder / file, act(plan), text=True, share=share, name=f"wand {file}")

    return [
        text("tables.toml", "tables.toml"),
        of_toml(folder / "tables.toml", act("tables.toml"), "wand plan of odd values"),
        text("left.csv", "tables.toml"),
        text("floor.csv", "tables.toml"),
        text("left-lens.toml", "tables.toml"),
        text("pose.toml", "pose.toml"),
        text("films.toml", "films.toml", 0.2),
        of_file(folder / "left.tif", act("films.toml"), text=False, share=0.3, name="wand film"),
    ]
