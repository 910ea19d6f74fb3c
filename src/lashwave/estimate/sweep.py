"""The start that decides everything: a forward sweep with a short window, markers only.

A window at the front of the record is fitted, then simulated ahead by a few milliseconds, and
fitted again with the new samples. What lies behind the window is not forgotten: it is eliminated,
and stays as a Gaussian prior on the window's first two times.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate import normal as eq
from lashwave.estimate.anchor import Anchor, shape_prior
from lashwave.estimate.blocks import forward
from lashwave.estimate.ends import driven_end
from lashwave.estimate.levenberg import Search, minimise
from lashwave.estimate.marker_tracks import despiked, filled, off_track
from lashwave.estimate.noise import spread
from lashwave.estimate.path import Path, from_nodes, joined
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.sighting_rows import Weights, full_weights, look
from lashwave.estimate.time_grid import march, rotation_rate, wanted_step
from lashwave.instruments import few_seen
from lashwave.mechanics import Law, Medium, simulate
from lashwave.quantities import Array, NotConvergedError


def spline_path(setup: FitSetup, time: Array, shared: Array) -> Path:
    """Markers splined over times (K,) [s] and along the line: for slow motion with all in sight.

    Raises NotConvergedError where fewer than three markers on the line were ever seen.
    """
    from scipy.interpolate import CubicSpline

    markers = setup.trial.markers
    on_line = np.flatnonzero(np.isfinite(markers.station))
    order = on_line[np.argsort(markers.station[on_line])]
    place = filled(markers.time, despiked(markers.position[:, order]))
    keep = np.isfinite(place).all((0, 2))
    station, place = markers.station[order][keep], place[:, keep]
    if station.size < 3:
        raise NotConvergedError("fewer than three markers on the line were ever seen")
    at = CubicSpline(markers.time, place, axis=0)(time)
    curve = CubicSpline(station, at, axis=1, bc_type="natural")
    inner = np.clip(setup.chain.station, station[0], station[-1])
    node = curve(inner) + (setup.chain.station - inner)[None, :, None] * curve(inner, 1)
    return from_nodes(setup, time, node, shared)


def initial_shared(setup: FitSetup) -> Array:
    """Prior means (Q,), each in its own unit (places [m]).

    Of markers on the grip's side it is their place as the samples show it.

    Where two markers of the grip's axis are seen, and no such time, in the first moments, when the
    line's own spline gives the axis.
    """
    shared = setup.shared.mean.copy()
    markers = setup.trial.markers
    if setup.chain.handle_links == 0 or not markers.on_handle.any():
        return shared
    for li in np.flatnonzero(markers.on_handle):
        at, base, axis = _axis(setup, int(li), shared)
        arm = markers.position[at, li] - base
        height = (arm * axis).sum(-1)
        radius = np.linalg.norm(arm - height[:, None] * axis, axis=-1)
        for what, value in (("axial", height), ("radial", radius)):
            column = setup.shared.index(f"{what}:{markers.labels[li]}")
            if np.isfinite(value).any():
                shared[column] = np.nanmedian(value)
                setup.shared.mean[column] = shared[column]
    return shared


FIRST_LOOK = 20
"""Samples from which a side marker's place is guessed where the axis is never seen."""


def _axis(setup: FitSetup, label: int, shared: Array) -> tuple[NDArray[np.bool_], Array, Array]:
    """When (T,) the grip's axis can be told while a side marker is seen, its butt and direction."""
    markers = setup.trial.markers
    end = driven_end(setup, far=False)
    rigid = setup.trial.line.handle_length
    seen = np.isfinite(markers.position[:, label, 0])
    if (end.offset <= rigid).sum() >= 2 and (end.both & seen).any():
        at = end.both & seen
        grip = end.seen()
        base, _, _, axis, _, _ = grip.at(markers.time[at])
        return at, base, axis
    at = np.arange(markers.time.size) < FIRST_LOOK
    path = spline_path(setup, markers.time[at], shared)
    return at, path.base, path.direction[:, 0]


FIRST = 40e-3
"""Length of the first window, fitted from splines [s]."""
BACK = 2e-3
"""The forecast starts this long before the window's end, where the fit is better held [s]."""


@dataclass(frozen=True)
class Stride:
    """How boldly the sweep goes; pairs of a tip speed up to which [m/s] and a time [s]."""

    reach: tuple[tuple[float, float], ...]
    """How far ahead a window is forecast."""
    keep: tuple[tuple[float, float], ...]
    """Length of the window behind the front."""


BOLD = Stride(
    ((20.0, 12e-3), (45.0, 6e-3), (np.inf, 2.5e-3)), ((20.0, 24e-3), (45.0, 16e-3), (np.inf, 8e-3))
)
WARY = Stride(
    ((20.0, 6e-3), (45.0, 4e-3), (np.inf, 1.5e-3)), ((20.0, 24e-3), (45.0, 20e-3), (np.inf, 12e-3))
)
"""Nearly twice the time, and fewer forecasts that lie far from the samples."""
UNSEEN = 60e-3
"""Length of the window while the grip has fewer than two markers [s]: where it points is known when
its waves have reached the markers on the line."""
SWEEP_FACTOR = 0.3
"""On the density of the random acceleration: a window holds little data, so trust the mechanics."""
GATE = 0.05
"""A sample further than this [m], and further than the speed-dependent part, from the forecast is
left out of the sweep."""


def _by_speed(table: tuple[tuple[float, float], ...], speed: float) -> float:
    return next(value for limit, value in table if speed <= limit)


def _kept(setup: FitSetup, stride: Stride, window: Path) -> float:
    """Length of the window behind the front [s]."""
    usual = _by_speed(stride.keep, _speed(window))
    front = float(window.time[-1])
    few = any(f.begin < front and f.end + UNSEEN > front for f in few_seen(setup.trial))
    return max(usual, UNSEEN) if few else usual


def _speed(path: Path) -> float:
    node = path.node[-4:]
    step = np.diff(node, axis=0) / np.diff(path.time[-4:])[:, None, None]
    return float(np.linalg.norm(step, axis=-1).max())


class Forecaster:
    """Simulates ahead from the front of a path, the driven ends following their markers."""

    def __init__(self, setup: FitSetup) -> None:
        self.setup = setup
        self.grip = driven_end(setup, far=False)
        self.far = driven_end(setup, far=True) if setup.trial.line.ends == "held" else None

    def ahead(self, path: Path, until: float, push: tuple[Array, Array] | None = None) -> Path:
        """The simulated path from `until - reach` on a fine grid; the first time is path's last.

        push : places (N + 1, 3) [m] and velocities (N + 1, 3) [m/s] added to the path's last.
        """
        setup = self.setup
        node = path.node[-3:]
        start = path.time[-1]
        fine = np.linspace(start, until, max(6, int(np.ceil((until - start) / 0.1e-3))))
        velocity = np.einsum("k,kia->ia", _end_slope(path.time[-3:]), node)
        place = node[-1]
        if push is not None:
            place, velocity = place + push[0], velocity + push[1]
        trajectory = simulate(
            setup.chain,
            self.grip.ahead(setup, path, until),
            Medium(*setup.air),
            setup.gravity,
            _law(setup, path.shared),
            fine,
            start_position=place,
            start_velocity=velocity,
            far=None if self.far is None else self.far.ahead(setup, path, until),
            rtol=1e-3,
        )
        return from_nodes(setup, fine, trajectory.position, path.shared)


def _law(setup: FitSetup, shared: Array) -> Law:
    scale = setup.law(shared)
    return Law(*(float(v) for v in scale))


def _end_slope(t: Array) -> Array:
    """Weights of the derivative at the last of three times, of the quadratic through them."""
    a, b, c = t
    return np.array(
        [
            (c - b) / ((a - b) * (a - c)),
            (c - a) / ((b - a) * (b - c)),
            (2 * c - a - b) / ((c - a) * (c - b)),
        ]
    )


def eliminated(
    setup: FitSetup,
    path: Path,
    density: Array,
    weights: Weights,
    anchor: Anchor,
    at: int,
    room: eq.BandMemory | None = None,
) -> Anchor:
    """What the times before index `at` say of times `at` and `at + 1`, as an anchor there.

    density : of the random acceleration (K, N + 1) [m2/s3].

    Rows centred up to `at` are factored; the trailing corner of the factor is the prior's root.
    """
    head = path.part(0, at + 2)
    n = eq.build(setup, head, density[: at + 2], weights, anchor, room)
    f = eq.surest_factor(n, (1e-6, 1e-3, 1.0, 30.0), head.time)
    size = (at + 2) * setup.unknowns
    tail = slice(size - 2 * setup.unknowns, size)
    root = _dense_tail(f.band, 2 * setup.unknowns)
    y = forward(f.band, n.gradient[:size, None], setup.unknowns)[:, 0]
    axes = n.axes[at:]
    return Anchor(
        np.ascontiguousarray(root.T), y[tail].copy(), head.base[at:].copy(),
        head.direction[at:].copy(), axes.copy(),
    )  # fmt: skip


def _dense_tail(band: Array, size: int) -> Array:
    """The last `size` rows and columns of a banded lower factor, dense."""
    start = band.shape[1] - size
    dense = np.zeros((size, size))
    for j in range(size):
        dense[j:, j] = band[: size - j, start + j]
    return dense


def gated(setup: FitSetup, path: Path, weights: Weights) -> Weights:
    """Samples far from the path left out: reflections and exchanged labels."""
    seen = look(setup, path, weights)
    sd = setup.trial.markers.sd
    off = np.linalg.norm(np.nan_to_num(seen.marker), axis=-1) * sd
    speed = np.linalg.norm(np.gradient(path.node, path.time, axis=0), axis=-1).max(axis=1)
    near = np.interp(setup.trial.markers.time, path.time, speed)
    outlying = off > GATE + near[:, None] * 1.0e-3
    marker = weights.marker.copy()
    fresh = np.isfinite(seen.marker).any(-1)
    outlying &= fresh
    if setup.linked is not None:
        far = np.asarray(np.where(fresh, outlying, marker == 0.0))
        there = np.asarray(np.isfinite(setup.trial.markers.position).all(-1))
        outlying &= off_track(far, setup.linked, there)
    marker[outlying] = 0.0
    return Weights(marker, weights.camera, weights.camera_sd)


@dataclass(frozen=True)
class SweepEnd:
    """Where a sweep stands, and may go on."""

    window: Path
    anchor: Anchor
    """Of the window's first two times."""


def _first_window(setup: FitSetup, weights: Weights) -> SweepEnd:
    """The beginning of the record, from splines."""
    begin, end = setup.trial.markers.time[[0, -1]]
    stop = min(begin + FIRST, end)
    times = max(4, round((stop - begin) / setup.options.longest_step) + 1)
    window = spline_path(setup, np.linspace(begin, stop, times), initial_shared(setup))
    anchor = shape_prior(setup, window)
    search = Search(window, damping=10.0)

    def density(p: Path) -> Array:
        return SWEEP_FACTOR * spread(setup, p)

    minimise(setup, search, density, weights, anchor, 8, hold_shared=True, tolerance=1e-2)
    return SweepEnd(search.path, anchor)


def sweep(
    setup: FitSetup,
    progress: Callable[[float], None],
    stride: Stride = BOLD,
    front: SweepEnd | None = None,
) -> tuple[Path, Weights]:
    """The whole record, front to end, without cameras; also which samples were left out.

    front : from which it goes on; None starts where the record does.
    """
    weights = full_weights(setup, np.inf)
    front = front or _first_window(setup, weights)
    window, anchor, search = front.window, front.anchor, Search(front.window)
    begin, end = float(window.time[0]), float(setup.trial.markers.time[-1])

    def density(p: Path) -> Array:
        return SWEEP_FACTOR * spread(setup, p)

    forecaster = Forecaster(setup)
    done: Path | None = None
    while window.time[-1] < end - 1e-9:
        speed = _speed(window)
        until = min(window.time[-1] + _by_speed(stride.reach, speed), end)
        back = max(3, int(np.searchsorted(window.time, window.time[-1] - BACK)))
        head = window.part(0, min(back, window.time.size - 1) + 1)
        future = forecaster.ahead(head, until)
        grid = _continued(setup, head, future, until)
        tail = _sampled(setup, future, grid[1:], window.shared)
        window = joined(head, tail)
        weights = gated(setup, window, weights)
        search = Search(window, damping=1.0, room=search.room)
        minimise(setup, search, density, weights, anchor, 4, hold_shared=True, tolerance=2e-2)
        window = search.path
        keep = window.time[-1] - _kept(setup, stride, window)
        at = int(np.searchsorted(window.time, keep))
        if 4 < at < window.time.size - 4 and window.time[-1] < end - 1e-9:
            anchor = eliminated(setup, window, density(window), weights, anchor, at, search.room)
            old = window.part(0, at)
            done = old if done is None else joined(done, old)
            window = window.part(at, window.time.size)
        progress(float((window.time[-1] - begin) / (end - begin)))
    return (window if done is None else joined(done, window)), weights


def _continued(setup: FitSetup, head: Path, future: Path, until: float) -> Array:
    """Grid times from the head's last to `until`, as the forecast's rotation asks."""
    o = setup.options
    rate = rotation_rate(future)
    fine, step = wanted_step(future.time, rate, o.sweep_turn, o.longest_step, o.shortest_step)
    last = head.time[-1] - head.time[-2]
    step = np.minimum(step, last * np.exp(np.log1p(0.25) * np.cumsum(np.ones(fine.size)) / 4))
    return march(float(head.time[-1]), until, fine, step, 0.25)


def _sampled(setup: FitSetup, future: Path, time: Array, shared: Array) -> Path:
    from scipy.interpolate import CubicSpline

    node = CubicSpline(future.time, future.node, axis=0)(time)
    return from_nodes(setup, time, node, shared)
