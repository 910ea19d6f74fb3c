"""Projections from points: exact ones, residuals, coverage of intervals, degenerate sets."""

import cv2
import numpy as np
import pytest

from lashwave.calibrate.pinhole import dlt_projection, projected
from lashwave.calibrate.point_fit import UndeterminedError
from lashwave.calibrate.projection import (
    KnownView,
    fit_parallel,
    fit_perspective,
    view_direction,
)
from lashwave.instruments import project
from lashwave.quantities.sightings import Camera, Clock
from tests.published.record import derived, recalled

DLT = recalled("Abdel-Aziz and Karara, ASP Symposium on Close-Range Photogrammetry (1971)")
FREEDOM = derived("degrees of freedom, s sqrt((2 n - 11) / (2 n))")

SIZE = (1024, 768)
INNER = np.array([[1600.0, 0, 511.5], [0, 1590.0, 383.5], [0, 0, 1]])
TURN = cv2.Rodrigues(np.array([0.2, -0.5, 0.1]))[0]
PROJECTION = INNER @ np.column_stack([TURN, [0.1, -0.05, 2.5]])
SCALE = 900.0
AFFINE = np.vstack([np.column_stack([SCALE * TURN[:2], [500.0, 400.0]]), [[0.0, 0.0, 0.0, 1.0]]])


def cloud(count: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-0.35, 0.35, (count, 3))


def inside(value: float, low: float, high: float) -> bool:
    return low <= value <= high


@pytest.mark.parametrize("count", [6, 12, 40])
def test_noise_free_points_leave_nothing(check, count: int) -> None:
    """Abdel-Aziz and Karara 1971: 11 parameters, at least 6 points."""
    points = cloud(count)
    uv = projected(PROJECTION, points)
    rest = projected(dlt_projection(points, uv), points) - uv
    check("eleven parameters from exact points, residual", rest, 0, DLT, abs=1e-9, unit="px")
    found = fit_perspective(points, uv, SIZE)
    assert np.abs(found.residuals).max() < 1e-9
    assert found.calibration.degrees_of_freedom == 2 * count - 11
    camera = Camera("c", 500.0, SIZE, found.calibration.projection, Clock(), 0.5)
    assert np.abs(project(camera, points) - uv).max() < 1e-9


@pytest.mark.parametrize(
    ("count", "share", "runs"), [(6, 0.289, 1600), (12, 0.736, 400), (30, 0.904, 400)]
)
def test_rms_is_as_the_degrees_of_freedom_say(check, count: int, share: float, runs: int) -> None:
    """s sqrt((2 n - 11) / 2 n) a coordinate, by Monte Carlo; the sd given back is s itself."""
    random = np.random.default_rng(count)
    noise, squares, judged = 0.5, [], []
    points = cloud(count, 3)
    clean = projected(PROJECTION, points)
    for _ in range(runs):
        found = fit_perspective(
            points,
            clean + noise * random.standard_normal(clean.shape),
            SIZE,
            sd=noise,
            robust=False,
        )
        squares.append((found.residuals**2).mean())
        judged.append(found.calibration.reprojection_sd**2)
    rms = np.sqrt(np.mean(squares)) / noise
    check("rms residual of a camera's fit over the noise", rms, share, FREEDOM, rel=0.03)
    assert np.sqrt(np.mean(judged)) == pytest.approx(noise, rel=0.03)


def test_intervals_cover_the_truth() -> None:
    """Places that the fit predicts are off by what its covariance says (binomial, 99.9 %)."""
    random = np.random.default_rng(5)
    points, probe = cloud(25, 4), np.array([0.1, 0.2, -0.1])
    for fit, truth in ((fit_perspective, PROJECTION), (fit_parallel, AFFINE)):
        clean, hits = projected(truth, points), 0
        for _ in range(200):
            seen = clean + 0.4 * random.standard_normal(clean.shape)
            found = fit(points, seen, SIZE, sd=0.4, robust=False).calibration
            slope = derivative(found.projection, probe)[:, : len(found.parameters)]
            sd = np.sqrt(np.diag(slope @ found.covariance @ slope.T))
            off = projected(found.projection, probe[None])[0] - projected(truth, probe[None])[0]
            hits += abs(off[0]) < 1.96 * sd[0]
        assert inside(hits, 179, 198)


def derivative(projection: np.ndarray, point: np.ndarray) -> np.ndarray:
    """(2, 12) of the image of a point by the entries of the projection."""
    space = np.append(point, 1.0)
    image = projection @ space
    zero = np.zeros(4)
    uv = image[:2] / image[2]
    rows = [[space, zero, -uv[0] * space], [zero, space, -uv[1] * space]]
    return np.array([np.concatenate(row) for row in rows]) / image[2]


@pytest.mark.parametrize("fit", [fit_perspective, fit_parallel])
def test_a_quarter_of_false_points_is_found_out(fit) -> None:
    random = np.random.default_rng(6)
    points = cloud(60, 8)
    truth = PROJECTION if fit is fit_perspective else AFFINE
    uv = projected(truth, points) + 0.3 * random.standard_normal((60, 2))
    uv[:15] += random.uniform(8, 200, (15, 2))
    found = fit(points, uv, SIZE, sd=0.3)
    assert not found.used[:15].any() and found.used[15:].sum() >= 44
    off = projected(found.calibration.projection, points) - projected(truth, points)
    assert np.abs(off).max() < 1.0
    assert found.calibration.reprojection_sd == pytest.approx(0.3, rel=0.25)
    assert any("left out" in text for text in found.warnings)


@pytest.mark.parametrize("count", [6, 7, 9])
def test_few_points_are_all_kept(count: int) -> None:
    """With a few degrees of freedom residuals cannot accuse each other."""
    random, points = np.random.default_rng(9), cloud(count, 3)
    for _ in range(20):
        uv = projected(PROJECTION, points) + 0.5 * random.standard_normal((count, 2))
        assert fit_perspective(points, uv, SIZE).used.all()


def test_a_marker_that_stands_still_does_no_harm() -> None:
    random = np.random.default_rng(10)
    points = np.concatenate([cloud(20), np.tile([[0.1, 0.1, 0.1]], (60, 1))])
    for fit, truth in ((fit_perspective, PROJECTION), (fit_parallel, AFFINE)):
        uv = projected(truth, points) + 0.3 * random.standard_normal((80, 2))
        found = fit(points, uv, SIZE, sd=0.3)
        assert (
            np.abs(projected(found.calibration.projection, points) - projected(truth, points)).max()
            < 2
        )


def test_registration_sd_is_how_well_points_are_placed() -> None:
    """n points and p parameters: the mean variance of a fitted place is s^2 p / 2n (trace of the
    hat matrix, e.g. Hoaglin and Welsch, Am. Stat. 32 (1978) 17)."""
    points = cloud(50, 9)
    uv = projected(AFFINE, points) + 0.4 * np.random.default_rng(1).standard_normal((50, 2))
    found = fit_parallel(points, uv, SIZE, sd=0.4, robust=False)
    assert found.calibration.registration_sd == pytest.approx(0.4 * np.sqrt(8 / 100), rel=1e-6)


def test_points_in_a_plane_need_a_view() -> None:
    points = cloud(30, 2)
    points[:, 2] = 0.0
    view = KnownView(view_direction(AFFINE[:2].ravel()), np.radians(1.0))
    uv = projected(AFFINE, points) + 0.3 * np.random.default_rng(2).standard_normal((30, 2))
    for fit in (fit_parallel, fit_perspective):
        with pytest.raises(UndeterminedError, match="in one plane"):
            fit(points, uv, SIZE)
    found = fit_parallel(points, uv, SIZE, sd=0.3, view=view)
    assert found.calibration.degrees_of_freedom == 2 * 30 + 2 - 8
    off = projected(found.calibration.projection, cloud(20)) - projected(AFFINE, cloud(20))
    assert np.abs(off).max() < 1.5


def test_a_plane_with_noise_is_still_a_plane() -> None:
    random = np.random.default_rng(3)
    points = cloud(200, 2)
    points[:, 1] = 3e-4 * random.standard_normal(200)
    uv = projected(AFFINE, points)
    with pytest.raises(UndeterminedError, match="in one plane"):
        fit_parallel(points, uv, SIZE, points_sd=3.5e-4)
    uv = uv + 2.0 * random.standard_normal(uv.shape)
    with pytest.raises(UndeterminedError, match="direction of view"):
        fit_parallel(points, uv, SIZE)


def test_a_ruler_with_a_view_and_square_pixels() -> None:
    points = np.zeros((12, 3))
    points[:, 0] = np.linspace(-0.2, 0.3, 12)
    truth = np.array([[880.0, 0, 40.0, 500], [40.0, 0, -880.0, 400], [0, 0, 0, 1.0]])
    uv = projected(truth, points) + 0.2 * np.random.default_rng(4).standard_normal((12, 2))
    view = KnownView(np.array([0.0, 1.0, 0.0]), square_pixels=True)
    found = fit_parallel(points, uv, SIZE, sd=0.2, view=view).calibration
    assert found.degrees_of_freedom == 2 * 12 + 4 - 8  # four parameters of a similarity
    assert np.abs(found.projection[:, :3] - truth[:, :3]).max() < 2.0
    assert found.sd("p11") == pytest.approx(0.2 / np.linalg.norm(points[:, 0] - 0.05), rel=0.02)
    plain = KnownView(np.array([0.0, 1.0, 0.0]))
    with pytest.raises(UndeterminedError, match="on one line"):
        fit_parallel(points, uv, SIZE, view=plain)
    turned = KnownView(np.array([0.0, 1.0, 0.0]), square_pixels=True, mirrored=True)
    assert fit_parallel(points, uv, SIZE, view=turned).calibration.projection[1, 2] > 800


def test_a_mirrored_view_is_told() -> None:
    points = cloud(30)
    uv = projected(AFFINE, points) * [-1, 1] + [SIZE[0], 0]
    view = KnownView(view_direction(AFFINE[:2].ravel()), 0.01)
    told = fit_parallel(points, uv, SIZE, sd=0.3, view=view).warnings
    assert any("mirrored against the view" in text for text in told)
    plain = fit_parallel(points, projected(AFFINE, points), SIZE, sd=0.3, view=view).warnings
    assert not any("mirrored" in text for text in plain)


def test_too_few_and_mirrored() -> None:
    points = cloud(5)
    with pytest.raises(UndeterminedError, match="5 points"):
        fit_perspective(points, projected(PROJECTION, points), SIZE)
    points = cloud(20)
    flipped = projected(PROJECTION, points) * [-1, 1] + [SIZE[0], 0]
    with pytest.raises(UndeterminedError, match="mirrored"):
        fit_perspective(points, flipped, SIZE)


def test_a_stated_sd_that_is_too_small_is_not_believed() -> None:
    points = cloud(40)
    uv = projected(AFFINE, points) + 0.8 * np.random.default_rng(7).standard_normal((40, 2))
    low = fit_parallel(points, uv, SIZE, sd=0.2, robust=False)
    free = fit_parallel(points, uv, SIZE, robust=False)
    assert any("times the stated sd" in text for text in low.warnings)
    assert low.calibration.sd("p11") == pytest.approx(free.calibration.sd("p11"), rel=0.02)
