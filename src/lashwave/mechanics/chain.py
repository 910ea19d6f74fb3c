"""The line cut into straight links: what every model of the motion computes with.

A chain has N links and N + 1 nodes at material stations. Its mass is consistent: between two
nodes the velocity is linear, so each link has a 2 x 2 mass (m_aa, m_ab, m_bb) that keeps the
measured table's mass, centre of mass and moment of inertia exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lashwave.mechanics.drag import SPHERE
from lashwave.quantities import Array, Line

CLAMP_GROWTH = 0.4
"""Growth of the node spacing away from a rigid end, metres a metre."""


@dataclass(frozen=True)
class Chain:
    """A line as N straight links."""

    station: Array
    """(N + 1,) [m], butt to tip."""
    link_mass: Array
    """(N, 3) [kg]: m_aa, m_ab, m_bb of each link; total aa + 2 ab + bb."""
    bend: Array
    """(N,) [N m]: bending stiffness over span of the joint at node j, between links j - 1 and j;
    entry 0, and joints within a rigid end, are 0 and inf-free (rigid ends are one link)."""
    diameter: Array
    """(N,) [m], mean drag diameter of each link."""
    bluff_area: Array
    """(N + 1,) [m2], drag coefficient times area of bodies at the nodes (markers)."""
    tuft_area: float
    """Drag coefficient times area at the tip [m2]."""
    handle_links: int
    """1 where the first link is the rigid handle, else 0."""
    held_links: int
    """1 where the last link is held at the far end, else 0."""
    drag_factor: Array
    """(N,) [1], drag across each link over the law's."""
    damping_factor: Array
    """(N,) [1], damping time of the joint at node j over the law's."""

    @property
    def links(self) -> int:
        """How many links there are."""
        return int(self.station.size - 1)

    @property
    def length(self) -> Array:
        """(N,) [m], material length of each link."""
        return np.diff(self.station)

    @property
    def node_mass(self) -> Array:
        """(N + 1,) [kg], the consistent mass lumped to the nodes (row sums)."""
        m = np.zeros(self.station.size)
        m[:-1] += self.link_mass[:, 0] + self.link_mass[:, 1]
        m[1:] += self.link_mass[:, 1] + self.link_mass[:, 2]
        return m

    def with_point_masses(self) -> Chain:
        """The same chain with its row-sum masses as points at the nodes."""
        mass = self.link_mass.copy()
        mass[:, 0] += mass[:, 1]
        mass[:, 2] += mass[:, 1]
        mass[:, 1] = 0.0
        return replace(self, link_mass=mass)


def stations(
    line: Line,
    anchors: Array,
    spacing_butt: float,
    spacing_tip: float,
    power: float = 1.0,
    spacing_clamp: float = np.inf,
) -> Array:
    """Node stations, spaced `spacing_butt` at the grip to `spacing_tip` at the far end.

    Every anchor (a marker's station), the grip's end and both ends of the line are nodes;
    between anchors nodes are evenly spread, no further apart than the graded spacing asks.

    Parameters
    ----------
    anchors : (A,) [m]; those outside the flexible part are ignored.
    spacing_butt, spacing_tip : [m]
    power : the spacing falls as (1 - s / L)^power.
    spacing_clamp : [m], the most at a rigid end, growing by `CLAMP_GROWTH` a metre away from it: a
        line under tension T leaves a clamp within a few sqrt(EI / T), often a few centimetres.
    """
    first, last = line.handle_length, line.length
    ends = [first] if first > 0 else []
    ends += [last] if line.ends == "held" else []
    fixed = np.unique(
        np.concatenate([[first, last], anchors[(anchors > first) & (anchors < last)]])
    )
    keep = np.concatenate([[True], np.diff(fixed) > 0.3 * spacing_tip])
    if not keep[-1]:
        keep[-2], keep[-1] = False, True
    fixed = fixed[keep]
    nodes = [0.0] if first > 0 else []
    for a, b in zip(fixed[:-1], fixed[1:], strict=True):
        fine = np.linspace(a, b, 65)
        left = 1.0 - (fine - first) / (last - first)
        want = spacing_tip + (spacing_butt - spacing_tip) * left**power
        for end in ends:
            want = np.minimum(want, spacing_clamp + CLAMP_GROWTH * np.abs(fine - end))
        crowd = np.concatenate(
            [[0.0], np.cumsum(0.5 * (1 / want[1:] + 1 / want[:-1]) * np.diff(fine))]
        )
        pieces = max(1, int(np.ceil(crowd[-1] - 0.05)))
        nodes.extend(np.interp(np.arange(pieces) * crowd[-1] / pieces, crowd, fine))
    nodes.append(last)
    return np.asarray(nodes)


def _moments(line: Line, station: Array) -> Array:
    """Integrals (N, 3) of the linear density times (1-x)^2, x(1-x), x^2 over each link; exact.

    station : (N + 1,) [m]; x goes from 0 to 1 along a link.
    """
    inner = line.station[(line.station > station[0]) & (line.station < station[-1])]
    cuts = np.unique(np.concatenate([station, inner]))
    link = np.searchsorted(station, cuts[:-1], side="right") - 1
    nodes, weights = np.polynomial.legendre.leggauss(2)
    half = 0.5 * np.diff(cuts)[:, None]
    s = 0.5 * (cuts[1:] + cuts[:-1])[:, None] + half * nodes
    w = half * weights * np.interp(s, line.station, line.linear_density)
    x = (s - station[link, None]) / np.diff(station)[link, None]
    parts = (w[..., None] * np.stack([(1 - x) ** 2, x * (1 - x), x * x], axis=-1)).sum(axis=1)
    total = np.zeros((station.size - 1, 3))
    np.add.at(total, link, parts)
    return total


def build(
    line: Line,
    station: Array,
    stiffness: Array,
    point_station: Array | None = None,
    point_mass: Array | None = None,
    point_diameter: Array | None = None,
) -> Chain:
    """Cut a line into a chain.

    Parameters
    ----------
    station : (N + 1,) [m], node stations from 0 to the full length; with a handle, station[1]
        is its end.
    stiffness : (R,) [N m2], bending stiffness at the rows of the line's table.
    point_station, point_mass, point_diameter : (P,) [m], [kg], [m]: markers on the line, whose
        mass and drag are added where they sit (`drag.SPHERE`). A tuft's mass is added at the tip.
    """
    length = np.diff(station)
    links = length.size
    mass = _moments(line, np.asarray(station, dtype=float))
    area = np.zeros(links + 1)
    points = (
        []
        if point_station is None
        else list(
            zip(point_station, point_mass, point_diameter, strict=True)  # type: ignore[arg-type]
        )
    )
    if line.tuft is not None:
        points.append((line.length, line.tuft.mass, 0.0))
    for s, m, d in points:
        j = int(np.clip(np.searchsorted(station, s, side="right") - 1, 0, links - 1))
        x = (s - station[j]) / length[j]
        mass[j] += m * np.array([(1 - x) ** 2, x * (1 - x), x * x])
        area[j : j + 2] += SPHERE * np.pi / 4 * d * d * np.array([1 - x, x])
    middle = 0.5 * (station[1:] + station[:-1])
    handle = int(line.handle_length > 0)
    held = int(line.ends == "held")
    span = np.concatenate([[np.inf], 0.5 * (length[1:] + length[:-1])])
    if handle:
        span[1] = 0.5 * length[1]
    if held:
        span[-1] = 0.5 * length[-2]
    return Chain(
        station=np.asarray(station, dtype=float),
        link_mass=mass,
        bend=np.interp(station[:-1], line.station, stiffness) / span,
        diameter=np.interp(middle, line.station, line.diameter),
        bluff_area=area,
        tuft_area=line.tuft.area if line.tuft is not None else 0.0,
        handle_links=handle,
        held_links=held,
        drag_factor=np.ones(links),
        damping_factor=np.ones(links),
    )
