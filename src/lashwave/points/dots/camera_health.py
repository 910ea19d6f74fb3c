"""How well each camera of a ring agrees with the others: over its view, and through the record."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lashwave.quantities import Array, Camera, RingHealth, Whole

ROWS, COLUMNS = 4, 6
"""Parts that a view is divided into."""
TIMES = 12
"""Parts that a record is divided into."""
FEWEST = 10
"""Images of points in a part, for its mean to be named."""


def camera_health(
    cameras: Sequence[Camera], frame: Whole, uv: Array, off: Array
) -> tuple[RingHealth, ...]:
    """What the images of points say of each camera.

    Parameters
    ----------
    frame : (P,) [1] of each point.
    uv, off : (P, C, 2) [px] its image, and by how much it misses the image of the point where all
        cameras place it; nan where a camera did not see it.
    """
    edges = np.linspace(frame.min(), frame.max() + 1, TIMES + 1)
    when = np.clip(np.searchsorted(edges, frame, side="right") - 1, 0, TIMES - 1).astype(np.int64)
    found = []
    for c, camera in enumerate(cameras):
        seen = np.isfinite(off[:, c, 0])
        one, size = off[seen, c], np.array(camera.size, dtype=float)
        cell = np.clip((uv[seen, c] + 0.5) / size * [COLUMNS, ROWS], 0, [COLUMNS - 1, ROWS - 1])
        place = cell.astype(np.int64) @ np.array([1, COLUMNS])
        by_place, count = _means(one, place, ROWS * COLUMNS)
        by_time, _ = _means(one, when[seen], TIMES)
        found.append(
            RingHealth(
                name=camera.name,
                rms=float(np.sqrt(np.mean(one**2))) if len(one) else float("nan"),
                shift=np.median(one, axis=0) if len(one) else np.full(2, np.nan),
                by_place=by_place.reshape(ROWS, COLUMNS, 2),
                count=count.reshape(ROWS, COLUMNS),
                by_time=by_time,
                from_frame=edges[:-1],
            )
        )
    return tuple(found)


def _means(off: Array, part: Whole, parts: int) -> tuple[Array, Whole]:
    """Mean miss (parts, 2) [px] of each part, nan where too few; and how many (parts,) [1]."""
    count = np.bincount(part, minlength=parts)
    total = np.stack([np.bincount(part, off[:, k], minlength=parts) for k in (0, 1)], axis=1)
    means = total / np.maximum(count, 1)[:, None]
    return np.where((count >= FEWEST)[:, None], means, np.nan), count.astype(np.int64)


SHIFTED, BENT, MOVED, EMPTY = 0.1, 0.15, 0.15, 0.25
"""A camera is spoken of whose picture is shifted by so much [px], misses unlike over its view or
through the record by so much [px], or shows points in less than this share of its view."""


def advice(health: RingHealth) -> tuple[str, ...]:
    """What would mend a camera's calibration, in words; nothing where nothing is amiss."""
    said = []
    shift = float(np.hypot(*health.shift))
    if shift > SHIFTED:
        said.append(f"its picture is shifted by {shift:.2f} px against the others: calibrate all "
                    "cameras together once more, by a wand")  # fmt: skip
    bent = _spread(health.by_place)
    if bent > BENT:
        cells = np.linalg.norm(health.by_place - np.nanmean(health.by_place, axis=(0, 1)), axis=-1)
        row, column = np.unravel_index(int(np.nanargmax(cells)), cells.shape)
        side = ("left", "middle", "right")[int(3 * column / COLUMNS)]
        level = ("top", "middle", "bottom")[int(3 * row / ROWS)]
        said.append(f"it misses by {bent:.2f} px unlike over its view, most at the {level} {side}: "
                    "calibrate its lens with more pictures of the board there")  # fmt: skip
    moved = _spread(health.by_time)
    if moved > MOVED:
        said.append(f"its picture wanders by {moved:.2f} px through the record: it moved, or the "
                    "cameras do not expose together")  # fmt: skip
    covered = float((health.count >= FEWEST).mean())
    if covered < EMPTY:
        said.append(f"points are seen in {100 * covered:.0f} % of its view only: what its lens "
                    "does elsewhere stays unknown")  # fmt: skip
    return tuple(f"camera {health.name}: {one}" for one in said)


def _spread(means: Array) -> float:
    """Root-mean-square of means (..., 2) [px] about their middle, 0 where there are under three."""
    flat = means.reshape(-1, 2)
    flat = flat[np.isfinite(flat[:, 0])]
    if len(flat) < 3:
        return 0.0
    return float(np.sqrt(np.square(flat - flat.mean(axis=0)).sum(axis=1).mean()))
