"""Bright dots in images: sub-pixel centres, each with a standard deviation.

Pixels over the background by several times its noise are joined to blobs, and each blob is fitted
by an elliptical Gaussian with a background of its own. Where the noise is additive and the dot
well sampled, the centre reaches the bound sqrt(2 / pi) sd_noise / peak [px], whatever the dot's
width (Fisher information of a Gaussian spot; Winick, J. Opt. Soc. Am. A 3, 1986, 1809); where
photons limit it, width / sqrt(electrons) (Thompson, Larson and Webb, Biophys. J. 82, 2002, 2775).
Blobs that are longer than noise and lens allow are tried as a streak and as a pair of dots.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lashwave.points.dots.blobs import Blobs, blobs
from lashwave.points.dots.ground import background, full_level
from lashwave.points.dots.spots import measure, noise_and_light
from lashwave.points.dots.windows import HALF_WIDTHS, Windows, take, windows
from lashwave.quantities.images import Dots, Frames, Image

BATCH = 16
"""Images whose dots are fitted together: what is held at a time, however long the record."""
PIXELS = 400_000
"""Of windows fitted at once."""


@dataclass(frozen=True)
class DotSearch:
    """How dots are looked for."""

    threshold: float = 5.0
    """Over the background, in standard deviations of its noise."""
    least: int = 3
    """Fewest bright pixels of a dot: fewer are a faulty pixel or noise."""
    full: int | None = None
    """Level of a saturated pixel; None: by the images (`ground.full_level`)."""
    gain: float | None = None
    """[grey levels an electron] of shot noise; None: measured on the images, where it shows."""
    pulse_sd: float = 0.1
    """Of the middle of the light in the exposure, as a share of its length: how far along a
    streak the dot's place at mid-exposure may lie from the streak's middle. Assumed."""


def _search(images: Sequence[Image], how: DotSearch) -> tuple[list[Windows], float, Dots]:
    """Windows around the blobs of some images, the noise, and blobs too wide to be fitted."""
    grounds = [background(image) for image in images]
    sd = np.array([g.sd for g in grounds])
    height = np.maximum(how.threshold * sd, 2.0)
    full = max(full_level(image) for image in images) if how.full is None else how.full
    found = blobs(images, grounds, height, full, how.least)
    extent = found.high - found.low + 1
    wide = extent.max(axis=1, initial=0) > 2 * HALF_WIDTHS[-1] - 1
    kept = Blobs(*(a[~wide] for a in vars(found).values()))
    cut = windows(images, kept, grounds, height, full)
    return cut, float(np.median(sd)), _wide(found, wide)


def _wide(found: Blobs, wide: NDArray[np.bool_]) -> Dots:
    """Blobs too wide to be fitted: their centroid, within their extent, flagged."""
    extent = (found.high - found.low + 1)[wide]
    return Dots(
        found.frame[wide],
        found.centre[wide],
        extent / np.sqrt(12.0),
        found.flux[wide],
        np.zeros(len(extent)),
        np.ones(len(extent), dtype=bool),
    )


def together(parts: Sequence[Dots]) -> Dots:
    """Dots of several stretches as one, by frame, and by flux falling within a frame."""
    if not parts:
        none = np.empty(0)
        pairs = np.empty((0, 2))
        return Dots(np.empty(0, np.int64), pairs, pairs, none, none, np.empty(0, dtype=bool))
    columns = [np.concatenate([getattr(p, n) for p in parts]) for n in vars(parts[0])]
    order = np.lexsort((-columns[3], columns[0]))
    return Dots(*(c[order] for c in columns))


def _fit(images: Sequence[Image], first: int, how: DotSearch) -> Dots:
    """Dots of a batch of images, of which the first is frame `first`."""
    cut, sd, wide = _search(images, how)
    parts = [wide]
    for group in cut:
        # So that a picture full of glare cannot ask for more memory than some megabytes.
        piece = max(1, PIXELS // group.grey.shape[1])
        for k in range(0, len(group.frame), piece):
            part = take(group, np.arange(k, min(k + piece, len(group.frame))))
            parts.append(measure(part, sd, how.gain or 0.0, how.pulse_sd))
    found = together(parts)
    return replace(found, frame=found.frame + first)


def shot_gain(images: Iterable[Image], how: DotSearch = DotSearch()) -> float:
    """Grey levels an electron, from how the fits' residuals grow with the light; 0 where the
    growth is under 4 of its standard deviations. All these images are looked at together.
    """
    cut, sd, _ = _search(list(images), how)
    gain, certain = 0.0, np.inf
    for _ in range(5):
        sums = np.zeros(2)
        for group in cut:
            noise, light = noise_and_light(group, sd, gain)
            weight = light / (2.0 * (sd**2 + gain * light) ** 2)
            sums += [np.sum(weight * (noise - sd**2)), np.sum(weight * light)]
        if sums[1] <= 0.0:
            return 0.0
        gain, certain = max(float(sums[0] / sums[1]), 0.0), float(np.sqrt(sums[1]))
    return gain if gain * certain > 4.0 else 0.0


def settle(frames: Frames, how: DotSearch = DotSearch(), looks: int = 6) -> DotSearch:
    """The search with its gain measured on some images spread over the record."""
    if how.gain is not None or len(frames) == 0:
        return how
    chosen = np.unique(np.linspace(0, len(frames) - 1, looks).astype(int))
    return replace(how, gain=shot_gain((frames[int(k)] for k in chosen), how))


def stream_dots(images: Iterable[Image], how: DotSearch = DotSearch()) -> Iterator[Dots]:
    """Dots of images one after the other, handed over every few images.

    Memory is that of `BATCH` images and their dots. Frames count from 0. Without a
    gain in `how` the noise is taken as additive; `settle` measures it.
    """
    held: list[Image] = []
    first = 0
    for image in images:
        held.append(image)
        if len(held) == BATCH:
            yield _fit(held, first, how)
            first, held = first + BATCH, []
    if held:
        yield _fit(held, first, how)


def find_dots(frames: Frames, how: DotSearch = DotSearch()) -> Dots:
    """Every bright dot in a camera's images.

    Parameters
    ----------
    frames : grey images (H, W), 8 or 16 bit, read one at a time.

    Returns
    -------
    dots : by frame. `sd` holds for independent pixel noise; a dot that the model does not fit has
        its sd widened by the square root of chi-square a degree of freedom. `streak` is the blur's
        length where it is told from a round dot. Two overlapping dots are parted where they stand
        more than 3 standard widths apart (1.5 times the full width at 0.61 of the peak) and the
        pair fits better than a streak; else they are one dot, flagged `merged`, with an sd that
        covers both.
    """
    return together(list(stream_dots(frames, settle(frames, how))))
