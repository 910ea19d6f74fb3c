"""The wand's part of the command `calibrate`: tables of dots in, several cameras out."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.linalg import block_diag

from lashwave.calibrate import (
    FilmView,
    KnownPoints,
    UndeterminedError,
    Wand,
    WandFit,
    calibrate_wand,
    dots_of_points,
    order_three,
)
from lashwave.files import Fields, Table
from lashwave.pipeline import Progress, film_dots
from lashwave.quantities import Array, Calibration, InputError, SharedErrors
from lashwave.workbench import calibrate_plan as plans
from lashwave.workbench.calibrate_plan import CalibrationOutcome, CalibrationPlan

FINEST = 1e-9
"""No length is known better [m]; its square is still a number to compute with."""


def wand(plan: CalibrationPlan, out: Path, progress: Progress) -> CalibrationOutcome:
    """Read the tables of a wand plan and place its cameras.

    Raises InputError for fewer than two cameras, two of one name, and a camera without a lens.
    """
    fields = plan.table
    fields.expect("dots", "gaps", "length_sd", "known", "known_sd")
    dots, stick = _read_wand(fields)
    tables = plan.root.subs("cameras")
    if len(tables) < 2:
        raise plan.root.fault("cameras", "names fewer than two", "write a [[cameras]] for each")
    sensors = [plans.read_sensor(plan, t, "seen", "frames", "still") for t in tables]
    for i, sensor in enumerate(sensors):
        if sensor.lens is None:
            raise sensor.fields.fault("lens", "is missing", "calibrate each lens by a board first")
        if sensor.lens.distortion is not None and len(sensor.lens.distortion) == 4:
            problem = "is a fisheye, which a wand does not place"
            right = 'place it by kind = "points", model = "pose"'
            raise sensor.fields.fault("lens", problem, right)
        if sensor.name in {s.name for s in sensors[:i]}:
            raise sensor.fields.fault("name", f"{sensor.name!r} names two cameras", "rename one")
    known_places = (
        plans.read_known(plan, fields, "known", framed=False) if fields.has("known") else None
    )
    views = []
    for number, sensor in enumerate(sensors):
        progress(f"dots of {sensor.name}", 0.3 * number / len(sensors))
        views.append(_view(plan, sensor, known_places))
    views = [_labelled(plan, v, dots, stick) for v in views]
    known = _read_frame_points(fields, known_places, views)
    progress("adjusting", 0.3)
    lenses = [s.lens for s in sensors if s.lens is not None]
    fit = calibrate_wand(lenses, _dots(views, dots), stick, known=known, sd=plan.sd)
    paths = [out.with_name(f"{out.stem}-{s.name}.toml") for s in sensors]
    found = [
        replace(c.calibration, camera=s.name) for s, c in zip(sensors, fit.cameras, strict=True)
    ]
    placed = adjusted_together(found, [s.view for s in sensors], fit.covariance)
    cameras = tuple(
        (s.name, replace(c, calibration=k), p)
        for s, c, k, p in zip(sensors, fit.cameras, placed, paths, strict=True)
    )
    notes = (*fit.warnings, *plan.folder.notes)
    if known is None:
        notes += (f"no known points: the frame of reference is that of {sensors[0].name}",)
    return CalibrationOutcome(plan.kind, cameras, (), notes, _wand_facts(fit))


def adjusted_together(
    own: list[Calibration], views: list[FilmView], covariance: Array
) -> list[Calibration]:
    """Calibrations of one adjustment in pixels of their films, each with what it shares with each
    other that has errors.

    own : as they were found, in each view's own pixels. covariance : (S, S) of all parameters, one
    camera's after the other's, [px], [rad], [m] or [1].
    """
    turn = block_diag(
        *(v.parameters_outward(c.parameters) for v, c in zip(views, own, strict=True))
    )
    found = [view.outward(one) for view, one in zip(views, own, strict=True)]
    return sharing(found, turn @ covariance @ turn.T)


def sharing(found: list[Calibration], covariance: Array) -> list[Calibration]:
    """The same calibrations, each with what it shares with each other that has errors.

    covariance : (S, S) of all parameters, one camera's after the other's, [px], [rad], [m] or [1].
    """
    name = hashlib.sha256(covariance.tobytes() + b"".join(c.projection.tobytes() for c in found))
    ends = np.cumsum([0, *(len(c.parameters) for c in found)])
    blocks = [np.split(rows, ends[1:-1], axis=1) for rows in np.split(covariance, ends[1:-1])]
    return [
        replace(
            one,
            adjustment=name.hexdigest()[:16],
            shared=tuple(
                SharedErrors(other.camera, other.parameters, blocks[i][j])
                for j, other in enumerate(found)
                if j != i and one.parameters and other.parameters
            ),
        )
        for i, one in enumerate(found)
    ]


def _wand_facts(fit: WandFit) -> tuple[tuple[str, float, float | None, str], ...]:
    return (
        ("frames used", float(fit.frames), None, ""),
        ("wand length as seen", fit.length, fit.length_scatter / np.sqrt(fit.frames), "m"),
        ("its scatter from frame to frame", fit.length_scatter, None, "m"),
    )


def _read_wand(fields: Fields) -> tuple[tuple[str, ...], Wand]:
    dots, gaps = fields.get("dots"), fields.get("gaps")
    if (
        not isinstance(dots, list)
        or len(dots) not in (2, 3)
        or len(set(map(str, dots))) < len(dots)
    ):
        raise fields.fault("dots", "is not 2 or 3 labels", 'write ["A", "B"]')
    if any(not isinstance(d, str) for d in dots):
        raise fields.fault("dots", "is not 2 or 3 labels", 'write ["A", "B"]')
    if not isinstance(gaps, list) or len(gaps) != len(dots) - 1:
        raise fields.fault("gaps", f"is not {len(dots) - 1} lengths", "one from dot to dot")
    steps = [
        Fields(fields.where, {"gaps": g}, fields.path, fields.lines).number(
            "gaps", "length", above=0.0, high=20.0
        )
        for g in gaps
    ]
    length_sd = fields.number("length_sd", "length", 0.0, 0.0, 0.1)
    if 0.0 < length_sd < FINEST:
        raise fields.fault("length_sd", "is finer than anything is made", "write 0 for exact")
    return tuple(dots), Wand(np.concatenate([[0.0], np.cumsum(steps)]), length_sd)


def _labelled(
    plan: CalibrationPlan, view: plans.SeenPoints, dots: tuple[str, ...], wand: Wand
) -> plans.SeenPoints:
    """The same, where a frame holds three points without a label, with labels by their spacing."""
    bare = np.flatnonzero([name == "" for name in view.label])
    if not bare.size:
        return view
    if len(dots) != 3:
        if not view.table.rows:
            raise InputError(view.table.where, "shows a wand of two dots, which look alike",
                             "wave three dots with unequal gaps, or give a table with labels",
                             field="wand.dots")  # fmt: skip
        row = int(bare[0])
        raise view.table.fault(row, "point", "has no label", "label it, or wave three dots")
    frames, count = np.unique(view.frame[bare], return_counts=True)
    order = bare[np.argsort(view.frame[bare], kind="stable")]
    starts = np.cumsum(count) - count
    rows = np.array([order[s : s + 3] for s, n in zip(starts, count, strict=True) if n == 3])
    rows = rows.astype(np.int64).reshape(-1, 3)  # no row leaves no whole numbers either
    found = order_three(view.uv[rows], wand.places)
    labels = list(view.label)
    for row, dot in zip(rows.ravel().tolist(), found.ravel(), strict=True):
        labels[row] = dots[dot] if dot >= 0 else ""
    apart = int((found >= 0).all(axis=1).sum())
    plan.folder.notes.append(
        f"{view.table.where}: dots told apart by their spacing in {apart} of {frames.size} frames"
    )
    return replace(view, label=tuple(labels))


def _dots(views: list[plans.SeenPoints], dots: tuple[str, ...]) -> Array:
    """(C, F, D, 2) of the wand's dots, over all frames in which any camera saw one."""
    rows = [[i for i, name in enumerate(v.label) if name in dots] for v in views]
    frames = np.unique(np.concatenate([v.frame[r] for v, r in zip(views, rows, strict=True)]))
    uv = np.full((len(views), frames.size, len(dots), 2), np.nan)
    for c, (view, mine) in enumerate(zip(views, rows, strict=True)):
        place = np.searchsorted(frames, view.frame[mine])
        uv[c, place, [dots.index(view.label[i]) for i in mine]] = view.uv[mine]
    return uv


def _view(
    plan: CalibrationPlan, sensor: plans.PlannedCamera, known: plans.KnownPlaces | None
) -> plans.SeenPoints:
    """What a camera saw: from its table, or from its film.

    Of a film the moving dots have no label yet; those at rest, of it or of the images that `still`
    names, are the known points.

    Raises InputError for a camera with both or neither, and dots that cannot be told apart.
    """
    fields = sensor.fields
    if fields.has("seen"):
        for key in ("frames", "still"):
            if fields.has(key):
                raise fields.fault(key, "stands beside a table", "keep seen or frames")
        return plans.read_seen(plan, fields, "seen", sensor, blank=True)
    if not fields.has("frames"):
        raise fields.fault("seen", "is missing", "give a table (seen) or a film (frames)")
    found = film_dots(plans.read_images(plan, fields, "frames", sensor)[1])
    still = found.still
    if fields.has("still"):
        still = film_dots(plans.read_images(plan, fields, "still", sensor)[1]).still
    name = fields.text("frames")
    plan.folder.notes.append(
        f"{name}: {found.frame.size} moving dots in {np.unique(found.frame).size} images, "
        f"{len(still)} at rest"
    )
    frame, labels, uv = found.frame, [""] * found.frame.size, found.uv
    if known is not None and sensor.lens is not None:
        try:
            own = dots_of_points(known.points, still, sensor.lens)
        except UndeterminedError as error:
            key = "still" if fields.has("still") else "frames"
            raise fields.fault(key, error.problem, error.remedy) from None
        seen = np.flatnonzero(own >= 0)
        frame = np.concatenate([frame, np.full(seen.size, -1)])
        labels += [known.label[k] for k in seen]
        uv = np.concatenate([uv, still[own[seen]]])
    return plans.SeenPoints(frame, tuple(labels), uv, Table(plan.folder.root, name, 0, {}, {}, {}))


def _read_frame_points(
    fields: Fields, known: plans.KnownPlaces | None, views: list[plans.SeenPoints]
) -> KnownPoints | None:
    """Points that fix the frame of reference; each camera's mean over the frames that show them."""
    if known is None:
        if fields.has("known_sd"):
            raise fields.fault("known_sd", "goes with known points", "name the known points")
        return None
    sd = fields.number("known_sd", "length", low=FINEST, high=1.0)
    uv = np.full((len(views), len(known.label), 2), np.nan)
    for c, view in enumerate(views):
        labels = np.array(view.label)
        for k, name in enumerate(known.label):
            here = labels == name
            if here.any():
                uv[c, k] = np.median(view.uv[here], axis=0)
    return KnownPoints(known.points, sd, uv)
