"""A small picture of a trial: shapes of the line through the throw, or its markers' tracks."""

from __future__ import annotations

import numpy as np

from lashwave.quantities import Array, interpolate
from lashwave.serving.opened import Opened, Reader, answers_stamp

WIDTH, HEIGHT, EDGE = 160.0, 100.0, 6.0
SHAPES = 12


def thumbnail(reader: Reader, opened: Opened) -> bytes:
    """SVG of the plane in which the trial is widest, up kept upright."""
    answers = reader.answers(opened)
    mark = repr([opened.hashes, None if answers is None else answers_stamp(answers.path)])

    def make() -> bytes:
        if answers is None:
            curves = _tracks(opened.trial.markers.position)
        else:
            motion, _ = reader.motion(answers)
            curves = _shapes(*(motion[n].values for n in ("time", "position", "velocity")))
        return drawn(curves).encode()

    return reader.derived(f"{opened.id}.thumbnail.svg", mark, make)


def _shapes(time: Array, position: Array, velocity: Array) -> list[Array]:
    """The line at moments between which its tip goes equally far."""
    tip = np.linalg.norm(velocity[:, -1], axis=-1)
    gone = np.concatenate([[0.0], np.cumsum(np.diff(time) * 0.5 * (tip[1:] + tip[:-1]))])
    gone += 1e-9 * np.arange(time.size)
    at = np.interp(np.linspace(gone[0], gone[-1], SHAPES), gone, time)
    place, _ = interpolate(time, position, velocity, at)
    return list(place[:, ::4])


def _tracks(position: Array) -> list[Array]:
    step = 1 + position.shape[0] // 200
    return [position[::step, i] for i in range(position.shape[1])]


def drawn(curves: list[Array]) -> str:
    """Curves (N, 3) [m] in the wider of the planes x-z and y-z, at one scale; nan breaks one."""
    known = [c[np.isfinite(c).all(axis=1)] for c in curves]
    points = np.concatenate([*known, np.empty((0, 3))])
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}">'
    if not len(points):
        return head + "</svg>"
    across = 0 if np.ptp(points[:, 0]) >= np.ptp(points[:, 1]) else 1
    low = points[:, [across, 2]].min(axis=0)
    extent = np.maximum(np.ptp(points[:, [across, 2]], axis=0), 1e-9)
    scale = min((WIDTH - 2 * EDGE) / extent[0], (HEIGHT - 2 * EDGE) / extent[1])
    margin = 0.5 * (np.array([WIDTH, HEIGHT]) - scale * extent)
    rows = [head]
    for i, curve in enumerate(known):
        if len(curve) < 2:
            continue
        uv = margin + scale * (curve[:, [across, 2]] - low)
        path = " ".join(f"{u:.1f},{HEIGHT - v:.1f}" for u, v in uv)
        shade = 0.35 + 0.65 * i / max(len(known) - 1, 1)
        rows.append(
            f'<polyline points="{path}" fill="none" stroke="#0072B2" stroke-width="1.2" '
            f'stroke-opacity="{shade:.2f}" stroke-linejoin="round"/>'
        )
    return "\n".join([*rows, "</svg>"])
