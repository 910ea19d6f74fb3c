"""Draws of the posterior and the motion with its standard deviations.

From nodes to any station: the cubic spline along the line, as a matrix on the nodes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate import normal as eq
from lashwave.estimate.assembly import dynamics_cost
from lashwave.estimate.joint import Joint
from lashwave.estimate.momentum_rows import LAW_NAMES
from lashwave.estimate.path import Path, displaced, moved
from lashwave.estimate.setup import HINGE, LENGTH, OFF_AXIS, FitSetup, held_scales
from lashwave.mechanics import Law, Medium, hand_power, kinetic_energy, outboard_force, shared_out
from lashwave.quantities import DAMPING_SLOPE, SLOPE, Array, Draws


def spline_matrices(setup: FitSetup, station: Array) -> tuple[Array, Array]:
    """Matrices (S, N + 1) that give place [1] and second derivative [1/m2] at stations (S,) [m].

    Straight on a rigid end, which also sets the spline's first slope; a free end has no bending.
    """
    from scipy.interpolate import CubicSpline

    chain = setup.chain
    nodes, eye = chain.station, np.eye(chain.station.size)
    a, b = chain.handle_links, chain.links - chain.held_links
    none = np.zeros(nodes.size)
    near = (1, (eye[1] - eye[0]) / chain.length[0]) if a else (2, none)
    far = (1, (eye[-1] - eye[-2]) / chain.length[-1]) if chain.held_links else (2, none)
    curve = CubicSpline(nodes[a : b + 1], eye[a : b + 1], axis=0, bc_type=(near, far))
    inner = np.clip(station, nodes[a], nodes[b])
    outside = (station - inner)[:, None]
    place = curve(inner) + outside * curve(inner, 1)
    bend = np.where(outside == 0.0, curve(inner, 2), 0.0)
    return place, bend


def output_stations(setup: FitSetup) -> Array:
    """Stations (S,) [m] at most 10 mm apart, 5 mm in the last tenth, with rigid ends and tip."""
    line, chain = setup.trial.line, setup.chain
    ends = [0.0, 0.9 * line.length, line.length]
    if chain.handle_links:
        ends.append(float(chain.station[1]))
    if chain.held_links:
        ends.append(float(chain.station[-2]))
    cuts = np.unique(ends)
    parts = []
    for a, b in zip(cuts[:-1], cuts[1:], strict=True):
        apart = 5e-3 if a >= 0.9 * line.length - 1e-9 else 10e-3
        parts.append(np.linspace(a, b, int(np.ceil((b - a) / apart - 1e-9)) + 1)[:-1])
    return np.append(np.concatenate(parts), line.length)


CLAMP = 0.02
"""Past a rigid end the line comes to slide along itself within some of these [m], as far as it
bends there, sqrt(EI / T); the end itself stays where it is."""


def followed(
    factor: eq.Factor, step: Array, column: list[int], share: Array, rng: np.random.Generator
) -> Array:
    """Draws with wider shared parameters, everything else following them.

    Parameters
    ----------
    step : (K n + Q, D) [rad, shared in their own units], changed in place and returned.
    column : (C,), of the shared parameters, counted among these.
    share : (C,), standard deviation that is added, over the parameter's own.

    The rest moves by its mean given the parameters, C_xs C_ss^-1 ds (the regression of a Gaussian),
    so that what the sightings say of both together stays said.
    """
    if not column:
        return step
    rows = step.shape[0] - factor.corner.shape[0] + np.array(column)
    cover = np.empty((step.shape[0], rows.size))
    for i, row in enumerate(rows):
        unit = np.zeros(step.shape[0])
        unit[row] = 1.0
        cover[:, i] = eq.solve(factor, unit)
    own = np.sqrt(np.diag(cover[rows]))
    added = (share * own)[:, None] * rng.standard_normal((rows.size, step.shape[1]))
    step += cover @ np.linalg.solve(cover[rows], added)
    return step


def slid(setup: FitSetup, path: Path) -> Array:
    """(K, N + 1, 3) [m/m], how nodes move where the line lies a metre further along itself.

    r(s + d, t) is a motion of the same line, so all that belongs to it follows from these places.
    """
    inner = path.direction[:, :-1] + path.direction[:, 1:]
    inner /= np.maximum(np.linalg.norm(inner, axis=-1, keepdims=True), 1e-9)
    along = np.concatenate([path.direction[:, :1], inner, path.direction[:, -1:]], axis=1)
    station = setup.chain.station
    apart = station - station[setup.first_link]
    if setup.chain.held_links:
        apart = np.minimum(apart, station[setup.last_link] - station)
    share = 1.0 - np.exp(-np.maximum(apart, 0.0) / CLAMP)
    return np.asarray(share[:, None] * along)


def slipped(setup: FitSetup) -> Array:
    """(Q,) [their own units/m], how shared parameters change by the same metre.

    A marker keeps its place in space, so its station lies further back; so does the tip."""
    markers, rigid = setup.trial.markers, setup.trial.line.handle_length
    out = np.zeros(len(setup.shared.names))
    for label, station in zip(markers.labels, markers.station, strict=True):
        column = setup.shared.index(f"station:{label}")
        if column >= 0:
            out[column] = -float(station > rigid)
    if LENGTH in setup.shared.names:
        out[setup.shared.index(LENGTH)] = -1.0
    return out


UNRESOLVED = {"stiffness_scale": 0.12, "drag_normal": 0.02, "drag_tuft": 0.2}
"""Standard deviation, logarithmic, added to scales that were fitted: they take up what the chain,
the time grid and the stated diameters leave out. Read off twin trials, where the draws alone were
far too sure."""
SHARED_MODEL_SD = {"clock_offset": 0.5}
"""Standard deviation added to a camera's shared parameters, over their own, the motion following:
the error of the last links' path is the same from frame to frame, which sightings independent of
each other do not know. Most likely on 32 throws of the independent engine (seeds from 400 on), on
which an image's offset asked for none."""
WIDEST = 1.0
"""No link of a draw turns further from the fitted direction [rad]."""
SLIDE_SD = 0.6e-3
"""Of the whole line along itself [m], beside what the stations leave open: a chain ends at a clamp
and at a free tip as its links do, not as a line does, and where the dynamics put it hangs on both.
The twin asks for 0.4 mm, 38 throws of an independent engine cut in coarser links for 0.3 to 0.7, 48
others for 0.37 to 0.77."""


@dataclass(frozen=True)
class Moving:
    """Nodes of one path and their time derivatives, (K, N + 1, 3) each; tension (K, N)."""

    node: Array
    velocity: Array
    acceleration: Array
    tension: Array


def _derivatives(time: Array, node: Array) -> tuple[Array, Array]:
    """Velocity and acceleration by the cubic spline through the nodes' places."""
    from scipy.interpolate import CubicSpline

    curve = CubicSpline(time, node, axis=0)
    return curve(time, 1), curve(time, 2)


def tension_of(setup: FitSetup, path: Path, density: Array, node: Array) -> Array:
    """(K, N) [N], pull in each link as the dynamics at each time ask for it; nan on rigid ends."""
    course = path.course._replace(node=np.ascontiguousarray(node))
    chain, dynamics = setup.kernel_chain(path.shared), setup.dynamics(path.shared)
    _, tension = dynamics_cost(course, chain, dynamics, density)
    tension[0], tension[-1] = tension[1], tension[-2]
    tension[:, : setup.first_link] = np.nan
    tension[:, setup.last_link :] = np.nan
    return np.asarray(tension)


def moving(setup: FitSetup, path: Path, density: Array, node: Array | None = None) -> Moving:
    """A path with its derivatives and tensions.

    node : places (K, N + 1, 3) [m] in place of its own.
    density : of the random acceleration (K, N + 1) [m2/s3].
    """
    node = path.node if node is None else node
    return Moving(node, *_derivatives(path.time, node), tension_of(setup, path, density, node))


def node_tension(setup: FitSetup, tension: Array) -> Array:
    """(..., N + 1) [N] from links (..., N) [N]: the mean of the neighbours, 0 at a free tip.

    Of the links beside a rigid end only the bending one counts; the ends themselves are nan.
    """
    both = np.stack([tension[..., :-1], tension[..., 1:]])
    filled = np.where(np.isnan(both), both[::-1], both).mean(axis=0)
    first = tension[..., :1]
    last = tension[..., -1:]
    if setup.trial.line.ends == "free":
        last = np.zeros_like(last)
    whole = np.concatenate([first, filled, last], axis=-1)
    whole[..., : setup.chain.handle_links] = np.nan
    return np.asarray(whole)


def bounded(setup: FitSetup, step: Array) -> Array:
    """Draws (K n + Q, D) [rad] whose links turn by `WIDEST` at most.

    Smaller turns stay as they are (to 2 % at half of it).

    The Gaussian lives in the tangent planes of the fitted directions. Beyond a radian it says no
    more than "anywhere", and where it does so for a moment only, in a recoil that no sighting
    holds, the turn to and fro would be faster than anything that the line ever did.
    """
    times = (step.shape[0] - setup.shared.mean.size) // setup.unknowns
    body = step[: times * setup.unknowns].reshape(times, setup.unknowns, -1)
    turn = body[:, 3:].reshape(times, -1, 2, step.shape[1])
    size = np.linalg.norm(turn, axis=2, keepdims=True) / WIDEST
    turn /= (1.0 + size**4) ** 0.25
    return step


def draws_of(setup: FitSetup, joint: Joint, factor: eq.Factor) -> Draws:
    """Draws of the whole motion; each is a motion of its own, so that nonlinear answers are fair.

    Nodes are displaced to first order. A link that trembles by an angle A shortens by A^2 / 2, to
    second order, and the whole line beyond it would tremble along itself: next to a clamp, where
    links are free to, a hanging line of 0.5 m/s came to 2 m/s that way.
    """
    o = setup.options
    rng = np.random.default_rng(o.seed)
    step = bounded(setup, _with_model_error(setup, factor, eq.draw(factor, o.draws, rng), rng))
    beside = beside_of(setup, joint.path.shared, step[-setup.shared.mean.size :], rng)
    return motions(setup, joint.path, joint.density, step, beside)


@dataclass(frozen=True)
class Beside:
    """What D draws have that is the same throughout the record."""

    slide: Array
    """(D,) [m], of the whole line along itself."""
    heavier: Array
    """(D,) factor on the line's mass."""
    shared: dict[str, Array]
    """(D,) each, reported parameters by name."""


def beside_of(setup: FitSetup, fitted: Array, step: Array, rng: np.random.Generator) -> Beside:
    """Of draws whose shared parameters lie a step (Q, D) beside the fitted (Q,), in their own units
    (scales [1])."""
    draws = step.shape[1]
    slide = np.asarray(SLIDE_SD * rng.standard_normal(draws) * setup.chain.handle_links)
    shared = (fitted[:, None] + step).T + slide[:, None] * slipped(setup)
    heavier = np.asarray(np.exp(mass_sd(setup) * rng.standard_normal(draws)))
    for name in (n for n in (*LAW_NAMES, SLOPE) if n in setup.shared.names):
        column = setup.shared.index(name)
        own = setup.shared.sd[column]
        sd = own if name in held_scales(setup) else UNRESOLVED.get(name, 0.0)
        shared[:, column] += sd * rng.standard_normal(draws)
    if setup.stiffness.sloped:
        outer = setup.stiffness.outer(setup.trial.line.station)
        slope = shared[:, setup.shared.index(SLOPE)]
        shared[:, setup.shared.index("stiffness_scale")] += outer * slope
    named = {n: _reported(n, shared[:, i]) for i, n in enumerate(setup.shared.names)}
    kept = {n: values for n, values in named.items() if _is_reported(setup, n)}
    if setup.damping_slope_sd > 0.0:
        kept[DAMPING_SLOPE] = np.asarray(setup.damping_slope_sd * rng.standard_normal(draws))
    return Beside(slide, heavier, kept)


def motions(setup: FitSetup, path: Path, density: Array, step: Array, beside: Beside) -> Draws:
    """The draws that lie a step (K n + Q, D) [rad, shared in their own units] beside a path.

    density : of the random acceleration (K, N + 1) [m2/s3].
    """
    draws, count, nodes = step.shape[1], path.time.size, setup.chain.links + 1
    x = np.empty((draws, count, nodes, 3), dtype=np.float32)  # to 0.1 um, 10 um/s: far finer
    v = np.empty_like(x)
    tension = np.empty((draws, count, nodes))
    force = np.empty((draws, count, 3))
    power, energy = np.empty((draws, count)), np.empty((draws, count))
    along, axes, reach = slid(setup, path), path.axes, path.reach(setup)
    medium = Medium(*setup.air)

    def one(d: int) -> None:
        own = moved(setup, path, axes, step[:, d])
        node = displaced(path, reach, step[:, d]) + beside.slide[d] * along
        m = moving(setup, own, density, node)
        x[d], v[d] = m.node, m.velocity
        tension[d] = node_tension(setup, m.tension)
        law = Law(*(float(s) for s in setup.law(own.shared)))
        chain = setup.chain_at(own.shared)
        state = (chain, m.node, m.velocity, m.acceleration, medium, setup.gravity, law)
        force[d] = outboard_force(*state)[:, 0]
        power[d] = hand_power(*state)
        energy[d] = kinetic_energy(setup.chain, m.velocity)

    shared_out(one, draws)
    heavier = beside.heavier
    tension *= heavier[:, None, None]
    force *= heavier[:, None, None]
    power *= heavier[:, None]
    energy *= heavier[:, None]
    return Draws(path.time, setup.chain.station, x, v, tension, force, power, energy, beside.shared)


def _with_model_error(
    setup: FitSetup, factor: eq.Factor, step: Array, rng: np.random.Generator
) -> Array:
    """Draws (K n + Q, D) with `SHARED_MODEL_SD` put on the cameras' parameters and followed by the
    motion: a draw's clock and image offsets are those by which the camera sees that draw."""
    names = setup.shared.names
    column = [i for i, name in enumerate(names) if name.split(":")[0] in SHARED_MODEL_SD]
    share = np.array([SHARED_MODEL_SD[names[i].split(":")[0]] for i in column])
    return followed(factor, step, column, share, rng)


def mass_sd(setup: FitSetup) -> float:
    """Relative standard deviation of the line's mass, by its table, row by row independent."""
    line = setup.trial.line
    sd = line.column_sd.get("linear_density")
    if sd is None:
        return 0.0
    share = line.linear_density * np.gradient(line.station)
    return float(np.linalg.norm(share * sd / line.linear_density) / share.sum())


def _is_reported(setup: FitSetup, name: str) -> bool:
    return name.split(":")[0] not in ("axial", "radial", HINGE, LENGTH, *OFF_AXIS) and not (
        name == "drag_tuft" and setup.trial.line.tuft is None
    )


def _reported(name: str, values: Array) -> Array:
    """Logarithmic scales as ratios, fitted over stated; everything else as it is."""
    return np.exp(values) if name in LAW_NAMES else values


@dataclass(frozen=True)
class Field:
    """The motion on the output stations, (K, S, 3) or (K, S)."""

    station: Array
    position: Array
    position_sd: Array
    velocity: Array
    velocity_sd: Array
    acceleration: Array
    curvature: Array
    curvature_sd: Array
    tension: Array
    tension_sd: Array


def _spread(values: NDArray[np.float32], matrix: Array) -> Array:
    """Standard deviation over draws (D, K, N + 1, 3) of matrix @ nodes, (K, S, 3), in blocks."""
    count = values.shape[1]
    sd = np.empty((count, matrix.shape[0], 3))
    for start in range(0, count, 64):
        part = values[:, start : start + 64].astype(float)
        block = np.einsum("si,dkia->dksa", matrix, part - part.mean(axis=0), optimize=True)
        sd[start : start + 64] = np.sqrt((block**2).sum(axis=0) / (values.shape[0] - 1))
    return sd


def _spread_of_size(values: NDArray[np.float32], matrix: Array) -> Array:
    """Standard deviation over draws (D, K, N + 1, 3) of |matrix @ nodes|, (K, S), in blocks."""
    sd = np.empty((values.shape[1], matrix.shape[0]))
    for start in range(0, sd.shape[0], 64):
        part = values[:, start : start + 64].astype(float)
        block = np.einsum("si,dkia->dksa", matrix, part, optimize=True)
        sd[start : start + 64] = np.linalg.norm(block, axis=-1).std(axis=0, ddof=1)
    return sd


def field_of(setup: FitSetup, joint: Joint, draws: Draws) -> Field:
    """The fitted motion and its standard deviations on the output stations."""
    return field_at(setup, joint.path, joint.density, draws)


def field_at(setup: FitSetup, path: Path, density: Array, draws: Draws) -> Field:
    """The same of a path, with the density of its random acceleration (K, N + 1) [m2/s3]."""
    station = output_stations(setup)
    place, bend = spline_matrices(setup, station)
    m = moving(setup, path, density)

    def along(nodes: Array, matrix: Array = place) -> Array:
        return np.einsum("si,kia->ksa", matrix, nodes, optimize=True)

    node_sd = draws.tension.std(axis=0, ddof=1)
    tension = node_tension(setup, m.tension)
    chain_station = setup.chain.station
    rigid = np.zeros(station.size, dtype=bool)
    if setup.chain.handle_links:
        rigid |= station < chain_station[1] - 1e-9
    if setup.chain.held_links:
        rigid |= station > chain_station[-2] + 1e-9
    pull = np.array([np.interp(station, chain_station, np.nan_to_num(row)) for row in tension])
    pull_sd = np.array([np.interp(station, chain_station, np.nan_to_num(row)) for row in node_sd])
    pull[:, rigid], pull_sd[:, rigid] = np.nan, np.nan
    return Field(
        station, along(m.node), _spread(draws.position, place), along(m.velocity),
        _spread(draws.velocity, place), along(m.acceleration),
        np.linalg.norm(along(m.node, bend), axis=-1), _spread_of_size(draws.position, bend),
        pull, pull_sd,
    )  # fmt: skip
