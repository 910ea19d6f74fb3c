"""The command `calibrate`: from a plan to calibration files, with what they are worth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from lashwave.calibrate import (
    Board,
    Calibrated,
    Corners,
    KnownView,
    Placed,
    UndeterminedError,
    calibrate_board,
    find_corners,
    fit_camera,
    fit_parallel,
    fit_perspective,
    fit_pose,
)
from lashwave.files import Fields, need_leave, write_calibration
from lashwave.pipeline import Progress
from lashwave.quantities import Array, InputError
from lashwave.workbench import calibrate_plan as plans
from lashwave.workbench.calibrate_board import (
    BOARD_KEYS,
    read_board,
    refuse_two_ways,
    turned_over,
)
from lashwave.workbench.calibrate_moved import moved
from lashwave.workbench.calibrate_plan import CalibrationOutcome, CalibrationPlan, PlannedCamera
from lashwave.workbench.calibrate_wand import wand


def run(plan_path: Path, out: Path, progress: Progress) -> CalibrationOutcome:
    """Read a plan, calibrate, write the file or files, whole or not at all.

    Raises
    ------
    InputError
        For whatever is wrong with the plan, its files or --out, and where the measurement does
        not determine the camera.
    """
    plan = plans.read_plan(plan_path)
    _check_out(plan_path, out)
    kinds: dict[str, Callable[[CalibrationPlan, Path, Progress], CalibrationOutcome]] = {
        "board": _board,
        "points": _points,
        "wand": wand,
        "scale": _scale,
        "register": _register,
        "moved": moved,
    }
    try:
        outcome = kinds[plan.kind](plan, out, progress)
    except UndeterminedError as error:
        line = plan.root.line(plan.kind)
        raise InputError(
            plan.where, error.problem, error.remedy, line=line, field=plan.kind
        ) from None
    written = [(name, found.calibration, path) for name, found, path in outcome.cameras]
    written += outcome.kept
    for _, _, path in written:
        _check_file(path, plan)
    for name, calibration, path in written:
        write_calibration(path, replace(calibration, camera=name), plan.folder.hashes)
    return outcome


def _check_out(plan_path: Path, out: Path) -> None:
    if out.suffix != ".toml":
        raise InputError("--out", f"{out} does not end in .toml", "name a .toml file")
    if out.is_dir():
        raise InputError("--out", f"{out} is a folder", "name a .toml file")
    if not out.absolute().parent.is_dir():
        raise InputError("--out", f"there is no folder {out.parent}", "make it first")
    if out.exists() and plan_path.exists() and out.resolve() == plan_path.resolve():
        raise InputError("--out", f"{out} is the plan", "name another file")
    need_leave(out)


def _check_file(path: Path, plan: CalibrationPlan) -> None:
    """Only an earlier calibration is ever replaced, and none that was read."""
    if path.resolve() in {(plan.folder.root / name).resolve() for name in plan.folder.hashes}:
        raise InputError("--out", f"{path} is an input", "name another file")
    if not path.exists():
        return
    try:
        earlier = "\nprojection = " in path.read_text(encoding="utf-8")
    except (OSError, ValueError):
        earlier = False
    if not earlier:
        raise InputError("--out", f"{path} is no calibration file", "name another file")


def _one(
    plan: CalibrationPlan,
    out: Path,
    sensor: PlannedCamera,
    found: Calibrated,
    labels: tuple[str, ...] = (),
    frames: int | None = None,
) -> CalibrationOutcome:
    if frames is not None:
        found = replace(found, calibration=replace(found.calibration, images=frames))
    found = replace(found, calibration=sensor.view.outward(found.calibration))
    size = np.linalg.norm(found.residuals, axis=1)
    worst = [i for i in np.argsort(-size) if not found.used[i]] if labels else []
    left = tuple(f"{labels[i]} ({size[i]:.3g} px off)" for i in worst)
    return CalibrationOutcome(
        plan.kind, ((sensor.name, found, out),), left, tuple(plan.folder.notes)
    )


def _board(plan: CalibrationPlan, out: Path, progress: Progress) -> CalibrationOutcome:
    sensor, fields = plans.one_sensor(plan), plan.table
    fields.expect(
        "images", *BOARD_KEYS, "distortion", "reference", "origin", "x_axis", "y_axis",
        "lens_model",
    )  # fmt: skip
    board = read_board(fields)
    fisheye = fields.text("lens_model", "brown", ("brown", "fisheye")) == "fisheye"
    known_terms = plans.FISHEYE_TERMS if fisheye else plans.TERMS
    terms = plans.read_terms(fields, known_terms, known_terms)
    names, frames = plans.read_images(plan, fields, "images", sensor)
    reference = _reference(fields, names, board)
    placed = plans.read_axes(fields) if reference is not None else None
    found: list[Corners] = []
    where: int | None = None
    missed: list[str] = []
    for i, name in enumerate(names):
        progress(f"looking for the board, {name}", i / len(names))
        corners = find_corners(frames[i], board)
        if corners is None:
            missed.append(name)
            continue
        if name == reference:
            where = len(found)
        found.append(corners)
    if missed and not found and turned_over(frames, board):
        right = "write mirrored = true in [camera]; where that stands, leave it out"
        raise fields.fault("images", "show the board left and right exchanged", right)
    if reference is not None and where is None:
        raise fields.fault("reference", f"shows no whole board: {reference}", "name another image")
    if missed:
        few = ", ".join(missed[:5]) + (" ..." if len(missed) > 5 else "")
        plan.folder.notes.append(f"no board seen in {len(missed)} of {len(names)} images: {few}")
    place = None
    if where is not None and placed is not None:
        place = Placed(where, *placed)
    result = calibrate_board(
        found, sensor.size, distortion=terms, fisheye=fisheye, sd=plan.sd, placed=place
    )
    return _one(plan, out, sensor, result)


def _reference(fields: Fields, names: list[str], board: Board) -> str | None:
    if not fields.has("reference"):
        for key in ("origin", "x_axis", "y_axis"):
            if fields.has(key):
                raise fields.fault(key, "goes with a reference image", "name the reference")
        return None
    name = str(fields.text("reference", longest=1000))
    if name not in names:
        raise fields.fault("reference", f"{name!r} is none of the images", "name one of them")
    refuse_two_ways(fields, board)
    return name


def _points(plan: CalibrationPlan, out: Path, progress: Progress) -> CalibrationOutcome:
    sensor, fields = plans.one_sensor(plan), plan.table
    fields.expect("known", "seen", "known_sd", "model", "distortion")
    model = fields.text("model", "dlt", ("dlt", "pose", "camera"))
    known = plans.read_known(plan, fields, "known", framed=False)
    seen = plans.read_seen(plan, fields, "seen", sensor)
    points, uv, labels = plans.match(seen, known)
    progress("fitting", 0.5)
    found = _perspective(plan, sensor, model, points, uv)
    return _one(plan, out, sensor, found, labels, np.unique(seen.frame).size)


def _perspective(
    plan: CalibrationPlan, sensor: PlannedCamera, model: str, points: Array, uv: Array
) -> Calibrated:
    """A camera that is no parallel-light one, by the model asked for."""
    fields = plan.table
    if model != "camera" and fields.has("distortion"):
        raise fields.fault("distortion", 'goes with model = "camera"', "leave it out")
    if model == "pose":
        if sensor.lens is None:
            raise sensor.fields.fault("lens", "is missing, and a pose needs it", "name a board's")
        return fit_pose(points, uv, sensor.lens, sd=plan.sd)
    if sensor.lens is not None:
        raise sensor.fields.fault("lens", f"is not used by model {model!r}", 'use model = "pose"')
    if model == "camera":
        terms = plans.read_terms(fields, ())
        return fit_camera(points, uv, sensor.size, distortion=terms, sd=plan.sd)
    known_sd = fields.number("known_sd", "length", 0.0, 0.0, 1.0)
    return fit_perspective(points, uv, sensor.size, sd=plan.sd, points_sd=known_sd)


def _view(fields: Fields, ahead: Array | None) -> KnownView | None:
    """What the plan says of the direction of view; `ahead` where it says nothing."""
    if fields.has("view"):
        ahead = plans.direction(fields, "view")
    keys = ("view_sd", "square_pixels", "mirrored")
    if ahead is None:
        for key in keys:
            if fields.has(key):
                raise fields.fault(key, "goes with a view", "state the view")
        return None
    return KnownView(
        ahead,
        fields.number("view_sd", "angle", np.radians(0.5), 0.0, 1.0),
        fields.flag("square_pixels"),
        fields.flag("mirrored"),
    )


def _scale(plan: CalibrationPlan, out: Path, progress: Progress) -> CalibrationOutcome:
    sensor, fields = plans.one_sensor(plan), plan.table
    fields.expect(
        "marks", "origin", "x_axis", "y_axis", "view", "view_sd", "square_pixels", "mirrored"
    )
    origin, axes = plans.read_axes(fields)
    path, name = plans.named_file(plan, fields, "marks")
    table = plans.read_table(
        path,
        name,
        (
            plans.Column("a", "length", low=-1e3, high=1e3),
            plans.Column("b", "length", False, low=-1e3, high=1e3),
            plans.Column("u", "pixel", low=-0.5, high=sensor.size[0] - 0.5),
            plans.Column("v", "pixel", low=-0.5, high=sensor.size[1] - 0.5),
        ),
    )
    a = table.numbers["a"]
    plane = np.stack([a, table.numbers.get("b", np.zeros_like(a))], axis=1)
    uv = np.stack([table.numbers["u"], table.numbers["v"]], axis=1)
    # With x to the right and y up in the picture, the camera looks against x times y.
    view = _view(fields, -axes[:, 2])
    progress("fitting", 0.5)
    found = fit_parallel(origin + plane @ axes[:, :2].T, uv, sensor.size, sd=plan.sd, view=view)
    labels = tuple(f"mark at {1e3 * x:g}, {1e3 * y:g} mm" for x, y in plane)
    return _one(plan, out, sensor, found, labels)


def _register(plan: CalibrationPlan, out: Path, progress: Progress) -> CalibrationOutcome:
    sensor, fields = plans.one_sensor(plan), plan.table
    fields.expect(
        "known", "seen", "known_sd", "model", "distortion", "view", "view_sd", "square_pixels",
        "mirrored",
    )  # fmt: skip
    model = fields.text("model", "parallel", ("parallel", "dlt", "pose", "camera"))
    known = plans.read_known(plan, fields, "known", framed=True)
    seen = plans.read_seen(plan, fields, "seen", sensor)
    points, uv, labels = plans.match(seen, known)
    progress("fitting", 0.5)
    view = _view(fields, None)
    if model != "parallel":
        if view is not None:
            raise fields.fault("view", "goes with parallel light", "leave it out")
        found = _perspective(plan, sensor, model, points, uv)
    else:
        known_sd = fields.number("known_sd", "length", 0.0, 0.0, 1.0)
        found = fit_parallel(points, uv, sensor.size, sd=plan.sd, points_sd=known_sd, view=view)
    return _one(plan, out, sensor, found, labels, np.unique(seen.frame).size)
