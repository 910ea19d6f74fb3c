"""Where several cameras stand, roughly, from dots that they see at the same moments.

Two cameras first: their relative pose from the essential matrix (Nister, IEEE Trans. Pattern Anal.
26 (2004) 756, by OpenCV, among outliers), its scale from the wand's length; then each further
camera from the dots that are placed already.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from lashwave.calibrate.calibrate_settings import CALIBRATE, CalibrateSettings
from lashwave.calibrate.pinhole import intrinsics, lens_of, projection_of
from lashwave.calibrate.point_fit import UndeterminedError
from lashwave.calibrate.pose import pose_start
from lashwave.instruments import triangulate_many, undistort
from lashwave.quantities import Array, Calibration, Camera, Clock


def order_three(
    uv: ArrayLike, places: ArrayLike, settings: CalibrateSettings = CALIBRATE
) -> NDArray[np.int64]:
    """Which dot of the wand each of three image points is.

    A straight wand is straight in the image, and its gaps keep their ratio up to that of the
    depths of its ends. So the ratio must be far from 1: 0.15 and 0.35 m will do.

    Parameters
    ----------
    uv : (N, 3, 2) [px], three points in each of N images, in any order.
    places : (3,) of the dots along the wand [m], rising.

    Returns
    -------
    order : (N, 3), the dot that each point is; -1 in images where the points are on no line or
        the ratio of their gaps fits neither order clearly.
    """
    uv, places = np.asarray(uv, dtype=float), np.asarray(places, dtype=float)
    count = len(uv)
    rows = np.arange(count)
    # Along the line through the two that are furthest apart.
    apart = np.linalg.norm(uv[:, [1, 2, 0]] - uv[:, [2, 0, 1]], axis=-1)
    middle = np.argmax(apart, axis=1)  # that one faces the longest side
    first, last = (middle + 1) % 3, (middle + 2) % 3
    along = uv[rows, last] - uv[rows, first]
    length = np.linalg.norm(along, axis=-1)
    off = uv[rows, middle] - uv[rows, first]
    with np.errstate(divide="ignore", invalid="ignore"):
        bent = np.abs(along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]) / length**2
        share = (along * off).sum(axis=-1) / length**2
        ratio = np.log(share / (1.0 - share))
    wanted = np.log((places[1] - places[0]) / (places[2] - places[1]))
    forward, backward = np.abs(ratio - wanted), np.abs(ratio + wanted)
    order = np.full((count, 3), -1)
    for start, end, fits in (
        (first, last, forward < backward - settings.wand_clear),
        (last, first, backward < forward - settings.wand_clear),
    ):
        good = fits & (bent < settings.wand_bent) & np.isfinite(ratio)
        for dot, point in ((0, start), (1, middle), (2, end)):
            order[rows[good], point[good]] = dot
    return order


def as_camera(lens: Calibration, full: Array) -> Camera:
    """A camera with all 15 parameters (15,), in the units [px, rad, m] of `pinhole.UNITS`."""
    return Camera(
        "", 1.0, lens.size, projection_of(full), Clock(), 1.0,
        intrinsics=intrinsics(full), distortion=full[4:9],
    )  # fmt: skip


def pairs(
    seen: NDArray[np.bool_], settings: CalibrateSettings = CALIBRATE
) -> Iterator[tuple[int, int]]:
    """Pairs of cameras by how many dots (N,) they share, from seen (C, N) [1]; the most first."""
    together = seen.astype(int) @ seen.T.astype(int)
    order = sorted(
        ((a, b) for a in range(len(seen)) for b in range(a + 1, len(seen))),
        key=lambda pair: -together[pair],
    )
    return (pair for pair in order if together[pair] >= settings.wand_few)


def start_poses(
    lenses: Sequence[Calibration],
    uv: Array,
    length: float,
    pair: tuple[int, int],
    sd: float,
    settings: CalibrateSettings = CALIBRATE,
) -> Array:
    """All parameters (C, 15) in the axes of the pair's first camera.

    Parameters
    ----------
    uv : (C, F, D, 2) [px], nan where unseen; D dots, the first and last `length` apart [m].
    pair : the cameras to begin with.
    sd : of one image coordinate [px].

    Raises
    ------
    UndeterminedError
        Where a camera shares too few dots with the others.
    """
    count = len(lenses)
    flat = uv.reshape(count, -1, 2)
    full = np.zeros((count, 15))
    full[:, :9] = [lens_of(lens) for lens in lenses]
    first, second = pair
    full[second, 9:] = _relative(lenses, flat, pair, sd)
    placed = [first, second]
    spots = _triangulate(lenses, full, flat, placed, sd).reshape(*uv.shape[1:3], 3)
    wand = np.linalg.norm(spots[:, -1] - spots[:, 0], axis=1)
    wand = wand[np.isfinite(wand)]
    if wand.size < 3:
        raise UndeterminedError("two cameras hardly see the whole wand", "wave it where both look")
    full[second, 12:] *= length / float(np.median(wand))
    while len(placed) < count:
        spots = _triangulate(lenses, full, flat, placed, sd)
        good = np.isfinite(spots).all(axis=1)
        shared = [
            -1 if c in placed else int((good & np.isfinite(flat[c]).all(axis=1)).sum())
            for c in range(count)
        ]
        best = int(np.argmax(shared))
        if shared[best] < settings.wand_few:
            raise UndeterminedError(
                f"camera {best + 1} shares {shared[best]} dots with the others",
                f"wave the wand where at least two cameras look; {settings.wand_few} is the least",
            )
        both = good & np.isfinite(flat[best]).all(axis=1)
        full[best, 9:] = pose_start(
            spots[both], flat[best][both], lenses[best], sd, True, settings=settings
        )
        placed.append(best)
    return full


def _relative(
    lenses: Sequence[Calibration], flat: Array, pair: tuple[int, int], sd: float
) -> Array:
    """(6,) pose of the second camera in the axes of the first, the base of length one."""
    a, b = pair
    both = np.isfinite(flat[a]).all(axis=1) & np.isfinite(flat[b]).all(axis=1)
    rays = []
    for c in pair:
        inner = np.asarray(lenses[c].intrinsics)
        straight = undistort(
            as_camera(lenses[c], np.append(lens_of(lenses[c]), np.zeros(6))), flat[c][both]
        )
        rays.append((straight - inner[:2, 2]) / np.diag(inner)[:2])
    focal = float(np.mean([np.asarray(lenses[c].intrinsics)[0, 0] for c in pair]))
    cv2.setRNGSeed(0)
    essential, mask = cv2.findEssentialMat(
        rays[0], rays[1], np.eye(3), method=cv2.RANSAC, prob=0.9999, threshold=3.0 * sd / focal
    )
    if essential is None or essential.shape != (3, 3):
        raise UndeterminedError(
            "two cameras cannot be placed by the dots they share", "wave the wand through depth"
        )
    _, turn, shift, _ = cv2.recoverPose(essential, rays[0], rays[1], np.eye(3), mask=mask)
    return np.concatenate([np.ravel(cv2.Rodrigues(turn)[0]), np.ravel(shift)])


def _triangulate(
    lenses: Sequence[Calibration], full: Array, flat: Array, placed: list[int], sd: float
) -> Array:
    """(N, 3) dots as the cameras placed so far see them."""
    cameras = [as_camera(lenses[c], full[c]) for c in placed]
    return triangulate_many(cameras, flat[placed].transpose(1, 0, 2), np.full(len(placed), sd))[0]
