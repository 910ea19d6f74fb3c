"""Several cameras at once, from a wand of known length waved through the volume they share.

All dots in all cameras, the wand's length, what is known of each lens, and points whose place in
the lab is known enter one least-squares adjustment (bundle adjustment: Triggs et al., LNCS 1883
(2000) 298). The wand gives the scale: its length is one number, known to its sd, that all frames
share. The known points give the frame of reference; without any it is that of the first camera.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lashwave.calibrate import bundle as bundle, pinhole
from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.calibrate.pinhole import rigid_move
from lashwave.calibrate.point_fit import (
    Calibrated,
    UndeterminedError,
    common_warnings,
    robust_sd,
    scale_factor,
)
from lashwave.calibrate.pose import calibration_of, placed_sd
from lashwave.calibrate.projection import thickness
from lashwave.calibrate.wand_rows import KnownPoints, SharedParameters, Wand, WandEquations, masked
from lashwave.calibrate.wand_start import as_camera, pairs, start_poses
from lashwave.instruments import triangulate_many
from lashwave.quantities import Array, Calibration


@dataclass(frozen=True)
class WandFit:
    """Cameras placed by a wand."""

    cameras: tuple[Calibrated, ...]
    frames: int
    """Frames used."""
    length: float
    """Mean of the wand's length where it is triangulated frame by frame, not fixed [m]."""
    length_scatter: float
    """Its standard deviation from frame to frame [m]."""
    stretch: float
    """Fitted over stated length of the wand."""
    warnings: tuple[str, ...]
    """Of the adjustment as a whole."""
    covariance: Array
    """(S, S) of all cameras' parameters together, in px, rad, m or 1: what they share, such as the
    known points' errors, makes a sum of their own chi-squares scatter more than one chi-square."""
    parameters: tuple[tuple[str, ...], ...]
    """Names of each camera's, in the order in which they stand there."""


@dataclass(frozen=True)
class _State:
    """An adjustment at one place."""

    full: Array
    """(C, 15)"""
    stretch: float
    wand: Array
    """(F, D, 3) [m]"""
    known: Array
    """(K, 3) [m]"""


def calibrate_wand(
    lenses: Sequence[Calibration],
    uv: Array,
    wand: Wand,
    *,
    known: KnownPoints | None = None,
    sd: float | None = None,
    settings: CalibrateSettings = CALIBRATE,
) -> WandFit:
    """Poses of C cameras (and their lenses, as far as these have a covariance).

    Parameters
    ----------
    lenses : a calibration with intrinsics for each camera, e.g. from a board.
    uv : (C, F, D, 2) [px]: the wand's D dots in F synchronous frames; nan where unseen.
    known : points that fix the frame of reference, at least 3 that are not on one line.
    sd : of one image coordinate [px]; None takes it from the residuals.

    Raises
    ------
    UndeterminedError
        Fewer than two cameras, too few shared dots, points that do not fix the frame.
    """
    lenses, uv = list(lenses), np.asarray(uv, dtype=float)
    if len(lenses) < 2:
        raise UndeterminedError("one camera sees no length", "give at least two cameras")
    # Frames in which every dot is seen by two cameras.
    usable = np.asarray((np.isfinite(uv).all(axis=-1).sum(axis=0) >= 2).all(axis=1))
    uv = uv[:, usable]
    layout = SharedParameters.of(lenses, wand, posed=known is not None)
    scale = 1.0 if sd is None else sd
    rows, state = _first(lenses, uv, wand, known, layout, scale, settings)
    for _ in range(8):
        answer, state = _adjust(rows, state, layout)
        fresh = _refresh(rows, lenses, state, sd, settings)
        settled = fresh.same_as(rows)
        rows = fresh
        if settled:
            break
    return _finish(lenses, rows, state, answer, layout, sd, settings)


def _first(
    lenses: list[Calibration],
    uv: Array,
    wand: Wand,
    known: KnownPoints | None,
    layout: SharedParameters,
    scale: float,
    settings: CalibrateSettings,
) -> tuple[WandEquations, _State]:
    """The best of some starts, each after an adjustment that is soft on outliers."""
    seen = np.isfinite(uv).all(axis=-1).reshape(len(lenses), -1)
    rows = WandEquations(
        uv, wand, known, scale, np.asarray(np.isfinite(uv).all(axis=-1)), True, settings
    )
    best: tuple[float, WandEquations, _State] | None = None
    fault = UndeterminedError("no two cameras share enough dots", "wave the wand where both look")
    for pair, _ in zip(pairs(seen, settings=settings), range(settings.wand_starts), strict=False):
        try:
            full = start_poses(lenses, uv, wand.length, pair, scale, settings=settings)
            mended, state = _begin(lenses, rows, full, pair[0])
            _, state = _adjust(mended, state, layout)
        except UndeterminedError as found:
            fault = found
            continue
        spread = robust_sd(mended.residuals(state.full, state.wand)[mended.used])
        if best is None or spread < best[0]:
            best = spread, mended, state
        if spread < 3.0 * scale:
            break
    if best is None:
        raise fault
    return replace(best[1], soft=False), best[2]


def _begin(
    lenses: list[Calibration], rows: WandEquations, full: Array, first: int
) -> tuple[WandEquations, _State]:
    """Dots in space for a set of poses, in the frame of reference; frames without are dropped."""
    cameras = [as_camera(lens, x) for lens, x in zip(lenses, full, strict=True)]
    count, frames, dots = rows.uv.shape[:3]
    flat = rows.uv.reshape(count, -1, 2).transpose(1, 0, 2)
    spots = triangulate_many(cameras, flat, np.full(count, rows.scale))[0].reshape(frames, dots, 3)
    good = np.isfinite(spots).all(axis=(1, 2))
    if good.sum() < 8:
        raise UndeterminedError(f"the wand is placed in {good.sum()} frames", "wave it longer")
    rows = replace(rows, uv=rows.uv[:, good], used=rows.used[:, good])
    spots, places = spots[good], np.empty((0, 3))
    if rows.known is None:
        turn, shift = pinhole.rotation_matrix(full[0, 9:12]), full[0, 12:15]
    else:
        uv = rows.known.uv.transpose(1, 0, 2)
        found = triangulate_many(cameras, uv, np.full(count, rows.scale))[0]
        there = np.isfinite(found).all(axis=1)
        if there.sum() < 3:
            raise UndeterminedError(
                f"{there.sum()} known points are seen by two cameras",
                "at least 3 fix the frame of reference",
            )
        extent = thickness(rows.known.points[there])
        if extent[1] <= max(1e-6 * extent[0], rows.known.sd):
            raise UndeterminedError("the known points lie on one line", "give one beside it")
        turn, shift = rigid_move(found[there], rows.known.points[there])
        places = rows.known.points.copy()
    spots = spots @ turn.T + shift
    moved = full.copy()
    for x in moved:
        matrix = pinhole.rotation_matrix(x[9:12]) @ turn.T
        x[9:12], x[12:15] = pinhole.rotation_vector(matrix), x[12:15] - matrix @ shift
    return rows, _State(moved, 1.0, spots, places)


def _adjust(
    rows: WandEquations, state: _State, layout: SharedParameters
) -> tuple[bundle.Bundle, _State]:
    families = [
        bundle.Family(rows.wand_rows(layout, state.full), state.wand.reshape(len(state.wand), -1))
    ]
    if rows.known is not None:
        families.append(bundle.Family(rows.known_rows(layout, state.full), state.known))
    answer = bundle.solve(
        families, layout.pack(state.full, state.stretch), layout.prior(state.full), rows.settings
    )
    full, stretch = layout.unpack(answer.shared, state.full)
    places = answer.own[1] if rows.known is not None else state.known
    return answer, _State(full, stretch, answer.own[0].reshape(state.wand.shape), places)


def _refresh(
    rows: WandEquations,
    lenses: list[Calibration],
    state: _State,
    sd: float | None,
    settings: CalibrateSettings,
) -> WandEquations:
    """Outliers put aside, or taken back, and the scale of the residuals where it is not stated."""
    rest = rows.residuals(state.full, state.wand)
    spread = max(robust_sd(rest[rows.used]), 1e-9)
    scale = sd if sd is not None else spread
    seen = np.isfinite(rows.uv).all(axis=-1)
    used = seen & (
        np.linalg.norm(masked(rest), axis=-1) <= settings.fit_cut * max(spread, sd or 0.0)
    )
    # A dot that fewer than two cameras see is fixed by the wand's length alone: not used.
    used &= (used.sum(axis=0) >= 2)[None]
    whole = used.any(axis=0).all(axis=1)
    used &= whole[None, :, None]
    if whole.sum() < 8:
        raise UndeterminedError(
            f"the wand fits in {whole.sum()} frames", "check that the cameras are synchronous"
        )
    return replace(rows, used=used, scale=scale)


def _finish(
    lenses: list[Calibration],
    rows: WandEquations,
    state: _State,
    answer: bundle.Bundle,
    layout: SharedParameters,
    sd: float | None,
    settings: CalibrateSettings,
) -> WandFit:
    counted = rows.equations(layout) - answer.shared.size - rows.unknowns()
    if counted <= 0:
        raise UndeterminedError("no degree of freedom is left", "wave the wand longer")
    factor, remark = scale_factor(answer.square, counted, sd is not None, settings=settings)
    fitted = rows.scale * float(np.sqrt(answer.square / counted))
    covariance = factor * answer.covariance
    rest = rows.residuals(state.full, state.wand)
    cameras = []
    for c, lens in enumerate(lenses):
        used, uv = rows.used[c].ravel(), rows.uv[c].reshape(-1, 2)
        place = layout.place(c)
        own = covariance[np.ix_(place, place)]
        slope = pinhole.project_points(state.full[c], state.wand.reshape(-1, 3)[used])[1]
        registered = placed_sd(slope[:, :, layout.free[c]], own) if place.size else 0.0
        calibration = calibration_of(
            state.full[c], layout.names(c), own, lens.size,
            registration_sd=registered, reprojection_sd=fitted, degrees_of_freedom=counted,
            images=int(rows.used[c].any(axis=1).sum()), points=int(used.sum()),
        )  # fmt: skip
        seen = np.isfinite(uv).all(axis=1)
        warnings = common_warnings(
            uv[seen], used[seen], lens.size, answer.condition, settings=settings
        )
        spread = robust_sd(rest[c].reshape(-1, 2)[used]) if used.any() else np.inf
        if spread > 2.0 * fitted:
            warnings.append(f"its residuals are {spread / fitted:.1f} times those of all cameras")
        cameras.append(
            Calibrated(calibration, rest[c].reshape(-1, 2), used, answer.condition, tuple(warnings))
        )
    count = int(layout.free.sum())
    fit = _with_lengths(lenses, rows, state, cameras, [remark] if remark else [], settings)
    names = tuple(layout.names(c) for c in range(len(lenses)))
    return replace(fit, covariance=covariance[:count, :count], parameters=names)


def _with_lengths(
    lenses: list[Calibration],
    rows: WandEquations,
    state: _State,
    cameras: list[Calibrated],
    warnings: list[str],
    settings: CalibrateSettings,
) -> WandFit:
    """The wand's length as the cameras see it frame by frame, and what is worth saying of it."""
    views = [as_camera(lens, x) for lens, x in zip(lenses, state.full, strict=True)]
    count = len(lenses)
    uv = np.where(rows.used[..., None], rows.uv, np.nan).reshape(count, -1, 2).transpose(1, 0, 2)
    spots = triangulate_many(views, uv, np.full(count, rows.scale))[0].reshape(state.wand.shape)
    lengths = np.linalg.norm(spots[:, -1] - spots[:, 0], axis=1)
    lengths = lengths[np.isfinite(lengths)]
    seen = np.isfinite(rows.uv).all(axis=-1)
    if (
        rows.used.sum() < settings.wand_least * seen.sum()
        or lengths.std() > settings.wand_loose * rows.wand.length
    ):
        raise UndeterminedError(
            f"{rows.used.sum() / seen.sum():.0%} of the dots fit, and the wand's length scatters "
            f"by {lengths.std() / rows.wand.length:.0%}",
            "check that the cameras are synchronous and the dots have the right labels",
        )
    if lengths.size < settings.wand_thin:
        warnings.append(f"only {lengths.size} frames show the whole wand: wave it for longer")
    offset = (state.stretch - 1.0) * rows.wand.length
    if rows.wand.length_sd > 0.0 and abs(offset) > 3.0 * rows.wand.length_sd:
        warnings.append(
            f"the known points make the wand {1e3 * offset:+.2g} mm longer than stated: "
            "check its length and the points"
        )
    return WandFit(
        tuple(cameras), lengths.size, float(lengths.mean()), float(lengths.std(ddof=1)),
        state.stretch, tuple(warnings), np.empty((0, 0)), (),
    )  # fmt: skip
