"""Everything that one fast camera's images show: strobe flashes, the tip, its tuft, fronts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from lashwave.instruments import in_view, project
from lashwave.points.background import background
from lashwave.points.clock_sound import (
    brightness,
    clock_advice,
    clock_by_motion,
    find_flashes,
    fit_clock,
    flash_health,
    motion_log_likelihood,
)
from lashwave.points.clock_sound.clock_settings import FLASHES
from lashwave.points.shocks import (
    at_speed,
    crossing_fronts,
    image_scale,
    points_of,
    wandering_fronts,
)
from lashwave.points.tip import TipSeen, TuftSeen, tip_track, tips_in, tuft_of, tuft_widths
from lashwave.quantities import (
    Array,
    Camera,
    ClockFit,
    ClockHealth,
    Flashes,
    Frames,
    Fronts,
    InputError,
    Located,
    Markers,
    OutOfRangeError,
    TipTrack,
    Whole,
)

Progress = Callable[[str, float], None]
"""A stage in words, and the share of all stages that is done."""
STROBE_DONE, BACKGROUND_DONE, TIP_DONE = 0.1, 0.2, 0.7
"""Shares of the whole search after which each of these is found."""
LED, LAGGED = 2e-3, 4e-3
"""Fronts are looked for from this long before the tip is first seen to this long after it was last
seen [s]: a front crosses a view of a metre in 3 ms."""
FEWEST_CROSSING = 4.0
"""A front at the speed of sound that crosses the view in fewer frames cannot be followed; one that
wanders about a place can."""
EVEN = 0.2
"""Frames, or flashes, by which stamps may leave an even clock for flashes to be looked for."""
MOST_NAMED = 4
"""Candidates of a clock that a note names."""
LAST_MARKERS = 3
"""Markers nearest to the tip whose motion tells which flash is which sample."""


def locate_fast(
    camera: Camera,
    frames: Frames,
    markers: Markers,
    sound: float,
    progress: Progress,
    tufted: bool = False,
    window: tuple[int, int] | None = None,
) -> Located:
    """Search one camera's images.

    Parameters
    ----------
    markers : with samples where there are any: their rate is the strobe's, and their motion tells
        which flash is which sample.
    sound : speed of sound [m/s].
    progress : is given a stage in words, and the share of the whole search done.
    tufted : whether the line is said to have strands at its end.
    window : first and last frame in which fronts are looked for; without it about the time at
        which the tip is in view, or in all frames where it never is.

    Raises
    ------
    InputError
        For a window outside the record, and frames that cannot be used.
    """
    _refuse_outside(window, len(frames))
    notes: list[str] = []
    progress("strobe", 0.0)
    flashes = _flashes(camera, frames, markers)
    lit = np.empty(0, dtype=np.int64) if flashes is None else _images_of(flashes, camera, frames)
    progress("background", STROBE_DONE)
    scene = background(frames, skip=lit)
    fans: list[TuftSeen] = []

    def watched() -> Iterator[TipSeen]:
        for seen in tips_in(frames, scene, camera.exposure * camera.rate):
            share = seen.frame / len(frames)
            progress("tip", BACKGROUND_DONE + (TIP_DONE - BACKGROUND_DONE) * share)
            fan = tuft_of(seen)
            if fan is not None:
                fans.append(fan)
            yield seen

    tip = tip_track(watched(), tufted)
    notes.append(f"tip found in {tip.frame.size} of {len(frames)} images")
    scale, fronts = _scale(camera, notes), None
    if scale is not None and camera.shows == "schlieren":
        searched = _searched(camera, len(frames), tip, window)
        fronts = _fronts(camera, frames, searched, sound, progress, notes)
    clock, kept_to = _clock(camera, len(frames), flashes, tip, markers, notes)
    return Located(
        tip=tip if tip.frame.size else None,
        flashes=lit if lit.size else None,
        clock=clock,
        clock_health=kept_to,
        fronts=fronts,
        tuft=tuft_widths(fans, scale) if fans and scale is not None else None,
        notes=tuple(f"camera {camera.name}: {note}." for note in notes),
    )


def _scale(camera: Camera, notes: list[str]) -> float | None:
    """[px/m] of the view; None, with a note, where one number will not do."""
    try:
        return image_scale(camera)
    except OutOfRangeError as problem:
        notes.append(f"no fronts and no widths of the tuft: {problem}")
        return None


def _flashes(camera: Camera, frames: Frames, markers: Markers) -> Flashes | None:
    """Flashes at the markers' rate; None where there are hardly any."""
    strobe = _strobe(camera, markers)
    if strobe.size < 2:
        return None
    period = camera.rate * float(strobe[1] - strobe[0])
    exposure, drift_sd = camera.exposure * camera.rate, camera.clock.drift_sd
    light, place = brightness(frames), camera.counted(np.arange(len(frames)))
    if camera.stamps is not None:
        if np.abs(place - np.rint(place)).max() > EVEN:
            return None
        # A frame that was dropped has the light of its neighbours.
        light = np.interp(np.arange(round(place[-1]) + 1), place, light)
    found = find_flashes(light, period, exposure, drift_sd)
    return found if found.frame.size else None


def _strobe(camera: Camera, markers: Markers) -> Array:
    """(M,) even lab times of the strobe's flashes [s]; none where they have no rhythm."""
    times = camera.strobe(markers.time)
    if camera.flash_times is None or times.size < 2:
        return times
    period = float(np.median(np.diff(times)))
    count = np.concatenate([[0.0], np.cumsum(np.rint(np.diff(times) / period))])
    step, first = np.polyfit(count, times, 1)
    if np.abs(times - first - step * count).max() > EVEN * period:
        return times[:0]
    return np.asarray(first + step * np.arange(count[-1] + 1))


def _images_of(flashes: Flashes, camera: Camera, frames: Frames) -> Whole:
    """(F,) images that show the flashes, which count frames as an even clock does."""
    if camera.stamps is None:
        return flashes.frame
    place = np.rint(camera.counted(np.arange(len(frames)))).astype(np.int64)
    return np.flatnonzero(np.isin(place, flashes.frame))


def _clock(
    camera: Camera,
    count: int,
    flashes: Flashes | None,
    tip: TipTrack,
    markers: Markers,
    notes: list[str],
) -> tuple[ClockFit | None, ClockHealth | None]:
    """The clock that the flashes bound, and how well they keep to it; None without flashes."""
    if flashes is None:
        return None, None
    fit = _fitted_clock(camera, count, flashes, tip, markers, notes)
    if fit is None:
        return None, None
    kept_to = flash_health(flashes, fit, camera.rate, _strobe(camera, markers))
    notes += clock_advice(kept_to)
    return fit, kept_to


def _fitted_clock(
    camera: Camera,
    count: int,
    flashes: Flashes,
    tip: TipTrack,
    markers: Markers,
    notes: list[str],
) -> ClockFit | None:
    """The clock that the flashes bound, and which sample each of them is, as the motion says."""
    try:
        record = int(camera.counted(count - 1)) + 1
        fit = fit_clock(flashes, camera.rate, record, _strobe(camera, markers), camera.clock)
    except InputError as problem:
        notes.append(f"{flashes.frame.size} strobe flashes are not used: {problem.problem}")
        return None
    if not fit.resolved and tip.frame.size:
        on_line = np.flatnonzero(~markers.on_handle)
        last = on_line[np.argsort(markers.station[on_line])][-LAST_MARKERS:]
        images = project(camera, markers.position[:, last])
        images[~in_view(camera, images, margin=-max(camera.size))] = np.nan
        counted = camera.counted(tip.frame)
        motion = motion_log_likelihood(
            fit.candidates, camera.rate, fit.drift, counted, tip.uv, tip.sd, markers.time, images
        )
        fit = clock_by_motion(fit, motion)
    within = f"within {1e6 * (fit.bounds[1] - fit.bounds[0]) / 2:.3g} us"
    if fit.resolved:
        said = f"each belongs to one marker sample; clock offset {fit.offset:.6f} s {within}"
    else:
        likely = fit.candidates[np.argsort(-fit.log_likelihood)]
        likely = likely[: int((fit.log_likelihood > -FLASHES.clear).sum())]
        named = ", ".join(f"{offset:.6f}" for offset in likely[:MOST_NAMED])
        more = f" or {likely.size - MOST_NAMED} more" if likely.size > MOST_NAMED else ""
        said = (
            "the pictures do not say which belongs to which marker sample; possible clock "
            f"offsets: {named}{more} s, each {within}; the reconstruction's own fit decides"
        )
    notes.append(f"strobe flashes found: {flashes.frame.size}; {said}")
    return fit


def _refuse_outside(window: tuple[int, int] | None, count: int) -> None:
    """Raise InputError for a window that is no stretch of a record of so many frames."""
    if window is not None and not 0 <= window[0] <= window[1] < count:
        raise InputError(
            "frames",
            f"{window[0]} to {window[1]} is no stretch of the record",
            f"name a first and a last frame from 0 to {count - 1}",
            field="front-frames",
        )


def _searched(camera: Camera, count: int, tip: TipTrack, window: tuple[int, int] | None) -> range:
    """Frames in which fronts are looked for."""
    if window is not None:
        return range(window[0], window[1] + 1)
    if not tip.frame.size:
        return range(count)
    first = max(0, int(tip.frame[0] - LED * camera.rate))
    return range(first, min(count, int(tip.frame[-1] + LAGGED * camera.rate) + 1))


def _fronts(
    camera: Camera,
    frames: Frames,
    searched: range,
    sound: float,
    progress: Progress,
    notes: list[str],
) -> Fronts | None:
    """Fronts in a stretch of the record; of those that the camera can follow."""

    def chosen() -> Iterator[int]:
        for frame in searched:
            share = (frame - searched.start) / len(searched)
            progress("fronts", TIP_DONE + (1.0 - TIP_DONE) * share)
            yield frame

    pace = sound * image_scale(camera) / camera.rate
    if pace * FEWEST_CROSSING > min(camera.size):
        found = wandering_fronts(frames, chosen=chosen())
        kind = f"; at {camera.rate:g} Hz sound moves {pace:.0f} px a frame, so only such as wander "
        kind += "about a place are looked for"
    else:
        found, kind = crossing_fronts(frames, at_speed(camera, sound), chosen=chosen()), ""
    stretch = f"frames {searched.start} to {searched.stop - 1}"
    notes.append(f"fronts found in {stretch}: {len(found)}{kind}")
    fronts = points_of(found)
    return fronts if fronts.frame.size else None


def pinned(camera: Camera, fit: ClockFit | None, period: float) -> Camera:
    """The camera with its clock on the sample that the motion points to; else as it was stated.

    The flashes themselves bound the clock; the stated deviation only keeps the others out.
    """
    if fit is None or not fit.resolved:
        return camera
    sd = min(camera.clock.offset_sd, period / 8.0)
    return replace(camera, clock=replace(camera.clock, offset=fit.offset, offset_sd=sd))
