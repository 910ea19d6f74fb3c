"""What noise, sampling and geometry do to a measurement, by the functions that meet them.

Sources: least-squares smoothing, Savitzky and Golay, Anal. Chem. 36 (1964) 1627 (tables from
memory); differences, elementary; uncertainties, JCGM 100:2008, example H.2; stereo and covariance,
linearised least squares; chi-square and binomial tables; clocks, definition.
"""

import numpy as np
import pytest

from benchmarks.score import band
from lashwave.answers.account import acceleration
from lashwave.answers.smoothing import parabolas
from lashwave.instruments import frame_at, frame_time, project, triangulate_many
from lashwave.quantities.sightings import Camera, Clock
from lashwave.study.sensitivity import telling
from tests.published.record import derived, read, recalled

SAVITZKY = recalled("Savitzky and Golay, Anal. Chem. 36 (1964) 1627, tables")
DIFFERENCE = derived("central difference: noise s f / sqrt 2, gain sin(w h) / (w h)")
GUM = read("JCGM 100:2008, H.2 (results; the readings recalled)")
STEREO = derived("rectified stereo, s_Z = Z^2 sqrt 2 s / (f b)")
CHI_SQUARE = derived("chi-square of 600 degrees of freedom, 95 %")
BINOMIAL = derived("binomial distribution, 99.9 % acceptance")
CLOCK = derived("definition: 10 ppm over 10 s is 100 us")


def test_noise_and_loss_of_a_central_difference(check) -> None:
    rate, noise = 500.0, 0.5e-3
    time = np.arange(40000) / rate
    place = noise * np.random.default_rng(5).standard_normal(time.size)
    sd = acceleration(time, place)[1:-1].std()
    check("slope by differences, noise", sd, 0.1768, DIFFERENCE, rel=0.01)
    turn = 2 * np.pi * 50.0
    found = acceleration(time[:400], np.sin(turn * time[:400]))[1:-1]
    gain = found @ np.cos(turn * time[1:399]) / np.sum(np.cos(turn * time[1:399]) ** 2) / turn
    check("slope by differences, gain at a tenth of the rate", gain, 0.935489, DIFFERENCE, abs=1e-6)


@pytest.mark.parametrize(
    "count, row, over",
    [
        (5, [-3, 12, 17, 12, -3], 35),
        (7, [-2, 3, 6, 7, 6, 3, -2], 21),
        (9, [-21, 14, 39, 54, 59, 54, 39, 14, -21], 231),
        (11, [-36, 9, 44, 69, 84, 89, 84, 69, 44, 9, -36], 429),
    ],
)
def test_smoothing_has_the_printed_weights(check, count, row, over) -> None:
    pulse = np.zeros((1, 61))
    pulse[0, 30] = 1.0
    half = count // 2
    found = parabolas(pulse, 1.0, count - 1.0)[0, 30 - half : 31 + half]
    check("parabola through 5 to 11 points, weights", found, np.array(row) / over, SAVITZKY,
          abs=1e-12)  # fmt: skip


def test_correlations_of_the_gum_example(check) -> None:
    volt = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    ampere = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    covariance = np.cov(np.stack([volt, ampere, phase])) / 5
    v, i, p = volt.mean(), ampere.mean(), phase.mean()
    slope = {
        "R": [np.cos(p) / i, -v * np.cos(p) / i**2, -v * np.sin(p) / i],
        "X": [np.sin(p) / i, -v * np.sin(p) / i**2, v * np.cos(p) / i],
        "Z": [1 / i, -v / i**2, 0.0],
    }
    spread = {"R": 0.071, "X": 0.296, "Z": 0.236}
    for one, other, printed in (("R", "X", -0.588), ("R", "Z", -0.485), ("X", "Z", 0.993)):
        rows = np.array([slope[one], slope[other]])
        information = np.linalg.inv(rows @ covariance @ rows.T)
        said = telling((one, other), information, np.ones(2), np.full(2, 0.1))
        check("R, X, Z of the GUM, uncertainties", said.alone, [spread[one], spread[other]], GUM,
              abs=5e-4, unit="ohm")  # fmt: skip
        check("R, X, Z of the GUM, correlations", said.correlation[0, 1], printed, GUM, abs=5e-4)


def _stereo(focal: float, base: float) -> list[Camera]:
    """Two cameras side by side that look along z."""
    inner = np.array([[focal, 0, 640], [0, focal, 512], [0, 0, 1.0]])
    return [
        Camera(f"c{i}", 500.0, (1280, 1024), inner @ np.eye(3, 4) - inner @ np.eye(3, 4, 3) * x,
               Clock(), 0.5)
        for i, x in enumerate((-0.5 * base, 0.5 * base))
    ]  # fmt: skip


def test_depth_of_a_pair_of_cameras(check) -> None:
    cameras = _stereo(2000.0, 0.3)
    uv = np.stack([project(c, np.array([[0.0, 0.0, 3.0]]))[0] for c in cameras])
    point, covariance = triangulate_many(cameras, uv[None], np.full(2, 0.5))
    assert point[0] == pytest.approx([0, 0, 3.0], abs=1e-9)
    depth = 1e3 * np.sqrt(covariance[0, 2, 2])
    check("stereo pair, sd of depth", depth, 10.607, STEREO, rel=0.01)


def test_stated_covariance_covers(check) -> None:
    # 200 independent points: mean of error' C^-1 error, 3 for three coordinates
    cameras = _stereo(2000.0, 1.5)
    rng = np.random.default_rng(8)
    truth = rng.uniform([-0.3, -0.3, 2.7], [0.3, 0.3, 3.3], (200, 3))
    uv = np.stack([project(c, truth) for c in cameras], axis=1)
    point, covariance = triangulate_many(
        cameras, uv + rng.normal(0, 0.5, uv.shape), np.full(2, 0.5)
    )
    miss = point - truth
    square = np.einsum("ni,nij,nj->n", miss, np.linalg.inv(covariance), miss)
    check.within("triangulated points, mean squared error over its own", square.mean(), 2.670,
                 3.349, CHI_SQUARE)  # fmt: skip


@pytest.mark.parametrize(
    "count, share, printed",
    [(200, 0.95, (179, 198)), (200, 0.9, (165, 192)), (1000, 0.95, (926, 971)),
     (1000, 0.68, (631, 728))],
)  # fmt: skip
def test_band_of_a_coverage(check, count, share, printed) -> None:
    found = band(count, share)
    check("coverage test, counts accepted", found, printed, BINOMIAL, abs=0.5)


def test_a_clock_that_runs_fast(check) -> None:
    frames = frame_at(50_000.0, 10.0, 0.0, 0.0) - frame_at(50_000.0, 10.0, 0.0, 10e-6)
    check("clock 10 ppm off over 10 s, frames at 50 kHz", frames, 5.0, CLOCK, rel=1e-4)
    late = 1e6 * (frame_time(500.0, 5000, 0.0, 10e-6) - 10.0)
    check("clock 10 ppm off over 10 s", late, 100.0, CLOCK, rel=1e-6)
