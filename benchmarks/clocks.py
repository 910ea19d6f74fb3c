"""How near strobe flashes bring a camera's clock, from images, in step with the markers and out.

    python benchmarks/clocks.py --takes 24

Small images of a plain backdrop that the marker system's strobe lights up (500 Hz, 120 us long) are
rendered with the bench's own strobe and sensor, at rates that keep step with 500 Hz and at rates
that do not, with clocks that drift by 5 ppm; the search's brightness, flashes and clock are asked,
and their offset is held against the truth. The last column is the mean width of what N flashes in
one frame each would allow at random phases, 2 / (N + 1) frames (order statistics).
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

import figures
import numpy as np
from figures import TWIN, Figure

from lashwave.instruments import Sensor, Strobe, frame_time, read_out, strobe_light
from lashwave.points.clock_sound import brightness, find_flashes, fit_clock
from lashwave.quantities.images import Image
from lashwave.quantities.sightings import Clock

RATES = (20e3, 20.01e3, 20.31e3, 25e3, 24.99e3)
SECONDS, EXPOSURE = 0.1, 1e-6
SIZE = (64, 48)
SENSOR = Sensor(bits=8, full_well=16e3, read_noise=25.0, dark=500.0)
PLAIN = 0.55


class Film:
    """Images of the lit backdrop."""

    size, bits = SIZE, 8

    def __init__(self, light: np.ndarray, seed: int) -> None:
        self.light, self.seed = light, seed

    def __len__(self) -> int:
        return self.light.size

    def __getitem__(self, frame: int) -> Image:
        electrons = PLAIN * SENSOR.full_well * (1.0 + self.light[frame])
        plain = np.full(SIZE[::-1], electrons, dtype=np.float32)
        return read_out(plain, SENSOR, np.random.default_rng([self.seed, frame]))

    def __iter__(self) -> Iterator[Image]:
        return (self[frame] for frame in range(len(self)))


def one(rate: float, take: int) -> tuple[float, float, float, int]:
    """Error, stated sd and width of the allowed interval [frames], and how many flashes."""
    rng = np.random.default_rng([int(rate), take])
    offset, drift = 0.1 + rng.uniform(0, 2e-3), 5e-6 * rng.standard_normal()
    samples = np.arange(300) / 500.0
    frames = np.arange(int(SECONDS * rate))
    times = frame_time(rate, frames, offset, drift)
    film = Film(strobe_light(Strobe(), samples, times, EXPOSURE), take)
    found = find_flashes(brightness(film), rate / 500.0, EXPOSURE * rate, 5e-6)
    stated = Clock(offset + 2e-4 * rng.standard_normal(), 2e-4, 5e-6)
    fit = fit_clock(found, rate, frames.size, samples, stated)
    width = (fit.bounds[1] - fit.bounds[0]) * rate
    return (fit.offset - offset) * rate, fit.offset_sd * rate, width, found.frame.size


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=24)
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    asked = parser.parse_args()
    takes, kept = asked.takes, []
    print("rate [Hz]  a sample  flashes  error rms, worst  sd  allowed width [frames]  2/(N+1)")
    for rate in RATES:
        rows = [one(rate, take) for take in range(takes)]
        off, sd, width, count = (np.array(column) for column in zip(*rows, strict=True))
        print(
            f"{rate:9.0f}  {rate / 500:8.2f}  {count.mean():7.0f}  "
            f"{np.sqrt(np.mean(off**2)):9.3f}, {np.abs(off).max():.3f}  {sd.mean():.3f}  "
            f"{width.mean():13.3f}  {2 / (count.mean() + 1):.3f}"
        )
        away, inside = np.abs(off), int((np.abs(off) <= 1.96 * sd).sum())
        in_step = rate % 500 == 0
        goal = 0.5 if in_step else 0.1
        kept.append(
            Figure(f"clock by flashes at {rate:.0f} Hz [frames]", TWIN, takes,
                   float(np.median(away)), float(away.max()), f"{goal:g} at worst",
                   bool(away.max() <= goal), f"{inside} of {takes}")
        )  # fmt: skip
    if asked.keep:
        figures.save("clocks", "Clock of the fast camera by strobe flashes", kept)


if __name__ == "__main__":
    main()
