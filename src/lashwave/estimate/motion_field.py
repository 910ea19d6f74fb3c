"""From nodes to any station: the cubic spline along the line, as a matrix on the nodes."""

from __future__ import annotations

import numpy as np

from lashwave.estimate.setup import FitSetup
from lashwave.quantities import Array


def spline_matrices(setup: FitSetup, station: Array) -> tuple[Array, Array]:
    """Matrices (S, N + 1) that give place and second derivative by arc length at stations.

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
    """Stations at most 10 mm apart, 5 mm in the last tenth; rigid ends and the tip among them."""
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
