"""A trial as the numbers that the fusion works with: chain, driven nodes, shared parameters.

The density of a hand's jerk, by which the markers next to it are most probable.

The marginal likelihood of a Wiener acceleration, integrated twice and seen in noise, by the Kalman
filter (Rauch, Tung and Striebel 1965 for the filter's form).

How the widths of a tuft that were seen bear on the area that drags it.

Loose strands, thin against their distances, blown along the tuft's axis: one that leans out by b
at its free end shows the flow an area of its thickness times b. Evenly spread over a width w, the
mean of |b| is w / 4, so the area is proportional to w. That neglects the strands' shelter of each
other (which makes a closed tuft drag less still), friction along them (which does not change with
w) and that a leaning strand is pressed less than an upright one (by the sine of its angle squared:
Hoerner, Fluid-Dynamic Drag, 1965, ch. 3, the cross-flow principle; from memory). With friction
alone the exponent of w is 0, with the cross-flow principle alone 3. It is taken to be 1 +- 1.

The stated area is that of the tuft at its mean width over the record. One scale stands for the
whole record, so it is taken where drag counts, each width weighted by the tip's speed squared.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.signal import savgol_filter

from lashwave.estimate.course import Dynamics
from lashwave.estimate.hand_jerk import jerk_density
from lashwave.estimate.marker_tracks import linked_of
from lashwave.estimate.momentum_rows import LAW_NAMES, KernelChain
from lashwave.estimate.options import Options
from lashwave.mechanics import (
    DRAG_SLOPE_SD,
    Chain,
    Law,
    build,
    damping_slope_sd,
    drag_shape,
    known_stiffness,
    medium,
    stations,
)
from lashwave.quantities import DRAG_SLOPE, SLOPE, Array, Camera, Mask, Stiffness, Trial

EXPONENT, EXPONENT_SD = 1.0, 1.0
"""Of the width in the area."""
FEWEST_WIDTHS = 3
"""Widths that say something of a change."""
NARROWEST = 1e-4
"""[m]; no tuft is narrower, for the sake of its logarithm."""


def tuft_scale(trial: Trial) -> tuple[float, float]:
    """Logarithm of the tuft's area where it drags over the stated one, and its standard deviation.

    Of the camera that saw most widths; (0, 0) where none did, or the line has no tuft. The
    deviation holds the exponent's, the widths', and what a single scale leaves of their change.
    """
    seen = [c for c in trial.cameras if c.tuft is not None and c.tuft.frame.size >= FEWEST_WIDTHS]
    if not seen or trial.line.tuft is None:
        return 0.0, 0.0
    camera = max(seen, key=lambda c: 0 if c.tuft is None else c.tuft.frame.size)
    assert camera.tuft is not None
    width = np.maximum(camera.tuft.width, NARROWEST)
    weight = _speed_squared(camera, trial.line.length)
    weight = weight / weight.sum()
    fast = float(weight @ width)
    size = float(np.log(fast / width.mean()))
    noise = float(np.sqrt(((weight - 1.0 / width.size) ** 2) @ camera.tuft.sd**2)) / fast
    left = float(np.sqrt(weight @ (width / fast - 1.0) ** 2))
    return EXPONENT * size, float(np.hypot(EXPONENT_SD * size, EXPONENT * np.hypot(noise, left)))


def _speed_squared(camera: Camera, length: float) -> Array:
    """Of the tip's image at the widths' frames, any unit; alike where it was not tracked."""
    assert camera.tuft is not None
    tip = camera.points_at(length)
    frame, first = np.unique(camera.frame[tip], return_index=True)
    if frame.size < 2:
        return np.ones(camera.tuft.frame.size)
    uv = camera.uv[tip][first]
    step = np.linalg.norm(np.diff(uv, axis=0), axis=1) / np.diff(frame)
    middle = 0.5 * (frame[1:] + frame[:-1])
    return np.asarray(np.maximum(np.interp(camera.tuft.frame, middle, step), 1e-3) ** 2)


DAMPING_TIME = Law.damping_time
"""Stated time constant of bending damping [s]; `damping_time` is fitted over this."""
DRAG_LOG_SD = (0.15, 0.7)
"""Prior of the normal and tangential drag scales: the classical data for smooth cylinders spread
by some 10 % and a plaited line is not smooth; tangential friction is known to a factor two."""
DAMPING_LOG_SD = 0.7
TUFT_LOG_SD = 0.4
"""Of a tuft whose `area_sd` was not stated."""
STIFFNESS_LOG_SD = 0.15
"""Added to the stated uncertainty of bending stiffness: a static test of a plaited line differs
from its dynamic stiffness."""


OFF_AXIS = ("off_axis_1", "off_axis_2")
"""Of a marker's centre from the line's axis [m], along two axes that go with the line."""
LENGTH = "length"
"""Of the whole line, off what was measured [m]: as sure as the stations along it."""
HINGE = "hinge"
HINGE_SD = 5e-3
"""How far from the grip's end, along the line, it may come to bend [m]. A grip's edge is round or
gives, a splice or a knot stiffens what leaves it, and the bend itself is sqrt(EI / T) long, some
millimetres to centimetres. Assumed; a record in which the line swings about its grip tells it to a
tenth of a millimetre."""


FREE_SD = 0.3
"""Logarithmic. A stiffness known less well is fitted with the path, which can be a third off; one
known better is held."""


@dataclass(frozen=True)
class Shared:
    """Shared parameters: names, prior means and standard deviations, in the solver's own units."""

    names: tuple[str, ...]
    mean: Array
    sd: Array

    def index(self, name: str) -> int:
        """Column of a parameter, -1 where there is none."""
        return self.names.index(name) if name in self.names else -1


@dataclass(frozen=True)
class FitSetup:
    """Everything about a trial that does not change while the motion is sought."""

    trial: Trial
    options: Options
    chain: Chain
    air: Array
    """(3,) density, viscosity, speed of sound."""
    gravity: Array
    driven: NDArray[np.bool_]
    """(N + 1,), nodes whose motion the markers give."""
    first_link: int
    """Links first_link ... last_link - 1 carry a tension that the dynamics determine."""
    last_link: int
    node_mass: Array
    shared: Shared
    stiffness: Stiffness
    hand_jerk: float = np.inf
    """Density of the hand's jerk [m2/s5]; inf asks nothing of it."""
    notes: tuple[str, ...] = field(default_factory=tuple)
    linked: Mask | None = None
    """(T, L), which samples go on from their marker's own track; None: nothing is known of it."""

    def kernel_chain(self, shared: Array) -> KernelChain:
        """The chain as compiled kernels take it [SI, kg, m, N m], with the slopes along it.

        After what it was in itself the shape along which the slope of stiffness shifts it (P, N)
        [1], the factors on drag (N,) [1], and the shape of their slope (R, N) [1]. P, R = 0 where
        there is no such slope."""
        c, column = self.chain, self.shared.index(SLOPE)
        shape, steady = np.zeros((0, c.links)), np.zeros((0, c.links))
        bend = c.bend
        if column >= 0:
            shape = np.interp(c.station[:-1], self.trial.line.station, self.stiffness.along)[None]
            bend = bend * np.exp(shared[column] * shape[0])
        if DRAG_SLOPE in self.shared.names:
            steady = drag_shape(self.trial.line, c)[None]
        factor = self.chain_at(shared).drag_factor
        area = (c.diameter, c.bluff_area, float(c.tuft_area))
        return (c.link_mass, bend, *area, shape, factor, steady)

    def chain_at(self, shared: Array) -> Chain:
        """The chain with drag along it as shared parameters (Q,) [their own units] have it."""
        column = self.shared.index(DRAG_SLOPE)
        if column < 0:
            return self.chain
        factor = np.exp(shared[column] * drag_shape(self.trial.line, self.chain))
        return replace(self.chain, drag_factor=factor)

    @property
    def laws(self) -> int:
        """How many of the shared parameters, the first of them, are the law's [1]."""
        return len(LAW_NAMES) + sum(n in (SLOPE, DRAG_SLOPE) for n in self.shared.names)

    @property
    def damping_slope_sd(self) -> float:
        """Of a line with a free end, logarithmic: drawn, as nothing that is seen tells it."""
        return damping_slope_sd(self.trial.line) if self.trial.line.ends == "free" else 0.0

    def dynamics(self, shared: Array) -> Dynamics:
        """What moves the line at these shared parameters (Q,), each in its own unit [SI, m]."""
        return Dynamics(
            self.air, self.law(shared), self.gravity, self.node_mass,
            self.driven, self.options.hand_density, self.first_link, self.last_link,
        )  # fmt: skip

    @property
    def unknowns(self) -> int:
        """Of one time."""
        return 3 + 2 * self.chain.links

    def law(self, shared: Array) -> Array:
        """(5,) scales [1] and damping time [s] for the kernels, from the shared parameters (Q,)."""
        scale = np.exp(shared[:5])
        scale[4] *= DAMPING_TIME
        return np.asarray(scale)


def held_scales(setup: FitSetup) -> tuple[str, ...]:
    """Scales of the law that are not sought along with the path."""
    found = ["damping_time", "drag_tangential"]
    known = setup.stiffness
    if known.log_sd < FREE_SD:
        found.append("stiffness_scale")
    if known.sloped and known.slope_sd * np.abs(known.along).max() < FREE_SD:
        found.append(SLOPE)
    return tuple(found)


HAND_WINDOW, HAND_MARKERS = 0.06, 3
"""Time over which a hand's acceleration is told [s], and how many markers next to it tell it."""
HAND_LASTS, LEAST_HAND = 0.05, 1.0
"""How long a hand's acceleration lasts [s]; the least density of it [m2/s3]."""


def _shared(trial: Trial, stiffness: Stiffness) -> Shared:
    names = list(LAW_NAMES)
    tuft = trial.line.tuft
    tuft_sd = TUFT_LOG_SD
    if tuft is not None and tuft.area > 0 and tuft.area_sd > 0:
        tuft_sd = tuft.area_sd / tuft.area
    spread, spread_sd = tuft_scale(trial)
    tuft_sd = float(np.hypot(tuft_sd, spread_sd))
    mean = [0.0, 0.0, spread, 0.0, 0.0]
    sd = [
        *DRAG_LOG_SD,
        tuft_sd,
        float(np.hypot(stiffness.log_sd, STIFFNESS_LOG_SD)),
        DAMPING_LOG_SD,
    ]
    if stiffness.sloped:  # next to the law's scales, as the kernels have it
        names.append(SLOPE)
        mean.append(0.0)
        sd.append(stiffness.slope_sd)
    if trial.line.ends == "free":
        names.append(DRAG_SLOPE)
        mean.append(0.0)
        sd.append(DRAG_SLOPE_SD)
    if trial.line.handle_length > 0:
        names.append(HINGE)
        mean.append(0.0)
        sd.append(HINGE_SD)
    for camera in trial.cameras:
        for what, m, s in (
            ("clock_offset", camera.clock.offset, camera.clock.offset_sd),
            ("clock_drift", 0.0, camera.clock.drift_sd),
            ("registration_u", 0.0, camera.registration_sd),
            ("registration_v", 0.0, camera.registration_sd),
        ):
            names.append(f"{what}:{camera.name}")
            mean.append(m)
            # A quantity stated as known still enters, held by a prior far below what is seen.
            sd.append(max(s, {"clock_offset": 1e-8, "clock_drift": 1e-9}.get(what, 1e-3)))
    if trial.markers.station_sd > 0:
        for label, station in zip(trial.markers.labels, trial.markers.station, strict=True):
            if np.isfinite(station):
                names.append(f"station:{label}")
                mean.append(0.0)
                sd.append(trial.markers.station_sd)
        if any(c.points_at(trial.line.length).any() for c in trial.cameras):
            names.append(LENGTH)
            mean.append(0.0)
            sd.append(trial.markers.station_sd)
    if trial.line.handle_length > 0:
        for label in np.asarray(trial.markers.labels)[trial.markers.on_handle]:
            for what in ("axial", "radial"):
                names.append(f"{what}:{label}")
                mean.append(0.0)
                sd.append(1.0)
    return Shared(tuple(names), np.array(mean), np.array(sd))


def _better_known(shared: Shared, options: Options) -> Shared:
    """With what other throws say, of the parameters that this trial has."""
    mean, sd = shared.mean.copy(), shared.sd.copy()
    for name, value, spread in options.known:
        if (column := shared.index(name)) >= 0:
            mean[column], sd[column] = value, spread
    return replace(shared, mean=mean, sd=sd)


def standing_off(setup: FitSetup, size: float) -> FitSetup:
    """The problem with markers that stand off the axis by `size` [m], in directions to be found.

    Each arm's two parts come last among the shared parameters; 0 adds none.
    """
    if size <= 0.0:
        return setup
    markers, shared = setup.trial.markers, setup.shared
    labels = np.asarray(markers.labels)[~markers.on_handle]
    names = tuple(f"{what}:{label}" for label in labels for what in OFF_AXIS)
    sd = np.full(len(names), size / np.sqrt(2.0))
    longer = Shared(
        shared.names + names,
        np.concatenate([shared.mean, np.zeros_like(sd)]),
        np.concatenate([shared.sd, sd]),
    )
    stated = replace(setup.trial, markers=replace(markers, stand_off=size))
    return replace(setup, trial=stated, shared=longer)


def set_up(trial: Trial, options: Options) -> FitSetup:
    """Cut the line at the markers, place masses, and list the shared parameters."""
    line, markers = trial.line, trial.markers
    on_line = markers.station[np.isfinite(markers.station)]
    features = np.concatenate([[], *[np.unique(c.station) for c in trial.cameras]])
    anchors = np.concatenate([on_line, features[features < line.length]])
    held = line.ends == "held"
    cut = _cut(trial, options, anchors)
    if held:
        cut = _rigid_end(cut, float(np.sort(on_line)[-2]))
    stiffness = known_stiffness(line)
    mass = np.full(on_line.size, markers.mass)
    chain = build(
        line, cut, stiffness.value, on_line, mass, np.full(on_line.size, markers.diameter)
    )
    links = chain.links
    driven = np.zeros(links + 1, dtype=bool)
    driven[: chain.handle_links + 1] = True
    if held:
        driven[links - chain.held_links :] = True
    air = medium(trial.air)
    density = min(options.hand_density, hand_density(trial))
    bare = FitSetup(
        trial=trial,
        options=replace(options, hand_density=density),
        chain=chain,
        air=np.array([air.density, air.viscosity, air.sound_speed]),
        gravity=np.asarray(trial.gravity, dtype=float),
        driven=driven,
        first_link=chain.handle_links,
        last_link=links - chain.held_links if held else links,
        node_mass=chain.node_mass,
        shared=_better_known(_shared(trial, stiffness), options),
        stiffness=stiffness,
        hand_jerk=jerk_density(trial),
        linked=linked_of(trial),
    )
    return standing_off(bare, markers.stand_off) if options.arms else bare


def hand_density(trial: Trial) -> float:
    """Density of the random acceleration that a hand's motion looks like [m2/s3], from the markers.

    The square of the acceleration that it stays under for 95 % of the time, times how long that
    lasts: a hand that swings a line gently must not tremble as one that throws. At least
    `LEAST_HAND`.
    """
    markers = trial.markers
    window = max(5, 2 * round(0.5 * HAND_WINDOW * markers.rate) + 1)
    near = np.argsort(np.where(markers.on_handle, -1.0, markers.station))[:HAND_MARKERS]
    largest = []
    for label in near:
        place = markers.position[:, label]
        seen = np.isfinite(place[:, 0])
        if seen.sum() < 2 * window:
            continue
        even = CubicSpline(markers.time[seen], place[seen])(markers.time)
        bend = savgol_filter(even, window, 2, deriv=2, delta=1.0 / markers.rate, axis=0)
        bend = np.linalg.norm(bend[seen], axis=1)
        largest.append(np.quantile(bend, 0.95))
    if not largest:
        return np.inf
    return float(max(HAND_LASTS * np.median(largest) ** 2, LEAST_HAND))


def _cut(trial: Trial, options: Options, anchors: Array) -> Array:
    """Node stations, spaced as the options say or wider: the links are rationed."""
    apart = [options.spacing_butt, options.spacing_tip]
    if trial.line.ends == "held":
        apart = [options.spacing_held] * 2
    while True:
        butt, tip = apart
        cut = stations(trial.line, anchors, butt, tip, spacing_clamp=options.spacing_clamp)
        if cut.size <= options.most_links + 1 or apart[0] > 0.5:
            return cut
        wide = apart[0] > 5 * apart[1]
        apart = [1.1 * butt, 1.1 * tip if wide else tip]


def _rigid_end(cut: Array, start: float) -> Array:
    """Nodes with the stretch from `start` to the far end as one rigid link."""
    return np.concatenate([cut[cut < start - 1e-6], [start, cut[-1]]])
