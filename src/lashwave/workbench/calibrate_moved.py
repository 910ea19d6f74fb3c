"""The plan of a camera that was moved: its pose anew, by one picture of a board or by points."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.linalg import block_diag
from scipy.special import chdtrc

from lashwave.calibrate import (
    Board,
    BoardPlace,
    PlacedAnew,
    Watcher,
    known_board,
    place_anew,
    place_by_points,
    seen_board,
)
from lashwave.files import Fields
from lashwave.pipeline import Progress
from lashwave.quantities import Calibration
from lashwave.workbench import calibrate_plan as plans
from lashwave.workbench.calibrate_board import (
    BOARD_KEYS,
    corners_in,
    read_board,
    refuse_two_ways,
)
from lashwave.workbench.calibrate_plan import CalibrationOutcome, CalibrationPlan, PlannedCamera
from lashwave.workbench.calibrate_wand import sharing

Kept = tuple[str, Calibration, Path]
PLACE_KEYS = ("origin", "x_axis", "y_axis", "origin_sd", "turn_sd")
POINT_KEYS = ("known", "seen", "known_sd")
STRANGE = 3.0
"""Scatter of a board's corners about any pose from which it is another board [px]. Corners that are
found lie within some tenths of a pixel."""
STAYS = 0.01
"""Probability of a move as large as found by chance, above which it is not said to have moved."""


def moved(plan: CalibrationPlan, out: Path, progress: Progress) -> CalibrationOutcome:
    """Read the plan of a moved camera and place it anew.

    Raises InputError for a camera without its earlier calibration, a board that is not seen, and
    a place that is stated twice or not at all.
    """
    fields = plan.table
    fields.expect("picture", *BOARD_KEYS, *PLACE_KEYS, *POINT_KEYS)
    sensor = plans.one_sensor(plan)
    if sensor.lens is None or sensor.filed is None:
        right = "name its calibration from before it was moved"
        raise sensor.fields.fault("lens", "is missing, and it is kept", right)
    _refuse_mirror(sensor)
    stand: list[PlannedCamera] = []
    if fields.has("known") or fields.has("seen"):
        found = _by_points(plan, fields, sensor, sensor.lens)
    else:
        stand = _standing(plan, sensor)
        found = _by_board(plan, fields, sensor, stand, progress)
    return _outcome(plan, out, sensor, stand, found)


def _by_points(
    plan: CalibrationPlan, fields: Fields, sensor: PlannedCamera, lens: Calibration
) -> PlacedAnew:
    for key in ("picture", *BOARD_KEYS, *PLACE_KEYS):
        if fields.has(key):
            raise fields.fault(key, "stands beside points", "keep the board or the points")
    if plan.root.has("cameras"):
        raise plan.root.fault("cameras", "are not asked where known points are", "leave them out")
    points_sd = fields.number("known_sd", "length", 0.0, 0.0, 1.0)
    if points_sd > 0.0 and plan.sd is None:
        raise plan.root.fault("sd", "is missing, and known_sd needs it", 'write sd = "0.3 px"')
    known = plans.read_known(plan, fields, "known", framed=False)
    seen = plans.read_seen(plan, fields, "seen", sensor)
    points, uv, _ = plans.match(seen, known)
    return place_by_points(lens, points, uv, points_sd=points_sd, sd=plan.sd)


def _by_board(
    plan: CalibrationPlan,
    fields: Fields,
    sensor: PlannedCamera,
    stand: list[PlannedCamera],
    progress: Progress,
) -> PlacedAnew:
    board = read_board(fields)
    refuse_two_ways(fields, board)
    assert sensor.lens is not None
    progress(f"looking for the board, {sensor.name}", 0.0)
    corners = corners_in(
        fields, "picture", sensor.name, plans.read_images(plan, fields, "picture", sensor)[1], board
    )
    watchers = []
    for number, other in enumerate(stand, 1):
        progress(f"looking for the board, {other.name}", number / (1 + len(stand)))
        watchers.append(_watcher(plan, other, board))
    found = place_anew(sensor.lens, corners, _place(plan, fields, watchers), watchers, sd=plan.sd)
    scatter = found.camera.calibration.reprojection_sd
    if scatter > STRANGE:
        problem = f"shows corners that lie {scatter:.2g} px off a flat board of this kind"
        right = "check squares, marker and dictionary, and that the board is flat"
        raise fields.fault("picture", problem, right)
    return found


def _place(plan: CalibrationPlan, fields: Fields, watchers: list[Watcher]) -> BoardPlace:
    """Where the board lies: as stated, or by the cameras that stand."""
    stated = [key for key in PLACE_KEYS if fields.has(key)]
    if not stated:
        return seen_board(watchers, plan.sd)
    if watchers:
        right = "leave out the place, or the [[cameras]]"
        raise fields.fault(stated[0], "stands beside cameras that tell where the board lies", right)
    origin, axes = plans.read_axes(fields)
    turn_sd = fields.number("turn_sd", "angle", 0.0, 0.0, 1.0)
    return known_board(origin, axes, turn_sd, fields.number("origin_sd", "length", 0.0, 0.0, 1.0))


def _standing(plan: CalibrationPlan, sensor: PlannedCamera) -> list[PlannedCamera]:
    """The cameras that were not moved.

    Raises InputError for one without a pose, and for two of one name.
    """
    found: list[PlannedCamera] = []
    for table in plan.root.subs("cameras"):
        other = plans.read_sensor(plan, table, "picture")
        if other.filed is None:
            raise table.fault("lens", "is missing", "name the camera's calibration")
        if other.filed.rotation is None or other.filed.translation is None:
            problem = "names a calibration without a pose"
            raise table.fault("lens", problem, "name one that places the camera in the lab")
        _refuse_mirror(other)
        if other.name in {sensor.name, *(one.name for one in found)}:
            raise table.fault("name", f"{other.name!r} names two cameras", "rename one")
        found.append(other)
    return found


def _refuse_mirror(sensor: PlannedCamera) -> None:
    filed = sensor.filed
    assert filed is not None
    if filed.rotation is not None and filed.mirrored != sensor.view.mirrored:
        said = "true" if filed.mirrored else "false"
        problem = f"is not as {sensor.fields.text('lens')} has it"
        raise sensor.fields.fault("mirrored", problem, f"write mirrored = {said}")


def _watcher(plan: CalibrationPlan, other: PlannedCamera, board: Board) -> Watcher:
    assert other.lens is not None
    if not other.fields.has("picture"):
        return Watcher(other.lens, None)
    frames = plans.read_images(plan, other.fields, "picture", other)[1]
    return Watcher(other.lens, corners_in(other.fields, "picture", other.name, frames, board))


def _outcome(
    plan: CalibrationPlan,
    out: Path,
    sensor: PlannedCamera,
    stand: list[PlannedCamera],
    found: PlacedAnew,
) -> CalibrationOutcome:
    own = replace(sensor.view.outward(found.camera.calibration), camera=sensor.name)
    notes = list(plan.folder.notes)
    if _stays(sensor.filed, own):
        notes.append(f"{sensor.name} stands where it was calibrated, as far as this tells")
    path = out
    kept: tuple[Kept, ...] = ()
    if stand:
        path, own, kept = _with_what_is_shared(out, own, sensor, stand, found)
        notes += [
            f"{name} is as it was; {place} says what it shares now" for name, _, place in kept
        ]
    facts = []
    if found.turned is not None:
        facts.append(("turned since", float(np.degrees(found.turned)), None, "deg"))
    if found.shifted is not None:
        facts.append(("shifted since", found.shifted, None, "m"))
    camera = replace(found.camera, calibration=own)
    cameras = ((sensor.name, camera, path),)
    return CalibrationOutcome(plan.kind, cameras, (), tuple(notes), tuple(facts), kept)


def _with_what_is_shared(
    out: Path,
    own: Calibration,
    sensor: PlannedCamera,
    stand: list[PlannedCamera],
    found: PlacedAnew,
) -> tuple[Path, Calibration, tuple[Kept, ...]]:
    """File and calibration of the moved camera, and those of the ones that stand: of these nothing
    but what they share with others is new."""
    filed = [replace(o.filed, camera=o.name) for o in stand if o.filed is not None]
    views = [one.view for one in (sensor, *stand)]
    turns = [
        view.parameters_outward(c.parameters) for view, c in zip(views, [own, *filed], strict=True)
    ]
    turn = block_diag(*turns)
    moved, *others = sharing([own, *filed], turn @ found.covariance @ turn.T)
    paths = [out.with_name(f"{out.stem}-{one.name}.toml") for one in (sensor, *stand)]
    kept = tuple((c.camera, c, path) for c, path in zip(others, paths[1:], strict=True))
    return paths[0], moved, kept


def _stays(before: Calibration | None, now: Calibration) -> bool:
    """Whether a pose differs from an earlier one by no more than both leave open."""
    if before is None or before.rotation is None or before.translation is None:
        return False
    names = tuple(n for n in now.parameters if n in before.parameters and n[0] in "rt")
    if len(names) < 6 or now.rotation is None or now.translation is None:
        return False
    whole = np.zeros((6, 6))
    for one in (before, now):
        place = [one.parameters.index(name) for name in names]
        whole += one.covariance[np.ix_(place, place)]
    off = np.concatenate([now.rotation - before.rotation, now.translation - before.translation])
    return bool(chdtrc(6, float(off @ np.linalg.solve(whole, off))) > STAYS)
