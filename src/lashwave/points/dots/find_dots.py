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
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lashwave.points.dots.blobs import Blobs, blobs, full_level, image_levels
from lashwave.points.dots.dot_settings import DOTS, DotSettings
from lashwave.points.dots.spots import (
    Cutouts,
    chosen_cutouts,
    cutouts,
    measure,
    noise_and_light,
)
from lashwave.quantities import Dots, Frames, Image


def _search(images: Sequence[Image], settings: DotSettings) -> tuple[list[Cutouts], float, Dots]:
    """Windows around the blobs of some images, the noise, and blobs too wide to be fitted."""
    levels_of = [image_levels(image, settings=settings) for image in images]
    sd = np.array([g.sd for g in levels_of])
    height = np.maximum(settings.threshold * sd, 2.0)
    full = max(full_level(image) for image in images) if settings.full is None else settings.full
    found = blobs(images, levels_of, height, full, settings.least)
    extent = found.high - found.low + 1
    wide = extent.max(axis=1, initial=0) > 2 * settings.half_widths[-1] - 1
    kept = Blobs(*(a[~wide] for a in vars(found).values()))
    cut = cutouts(images, kept, levels_of, height, full, settings=settings)
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


def dots_joined(parts: Sequence[Dots]) -> Dots:
    """Dots of several stretches as one, by frame, and by flux falling within a frame."""
    if not parts:
        none = np.empty(0)
        pairs = np.empty((0, 2))
        return Dots(np.empty(0, np.int64), pairs, pairs, none, none, np.empty(0, dtype=bool))
    columns = [np.concatenate([getattr(p, n) for p in parts]) for n in vars(parts[0])]
    order = np.lexsort((-columns[3], columns[0]))
    return Dots(*(c[order] for c in columns))


def _dots_of(images: Sequence[Image], first: int, settings: DotSettings) -> Dots:
    """Dots of a batch of images, of which the first is frame `first`."""
    cut, sd, wide = _search(images, settings)
    parts = [wide]
    for group in cut:
        # So that a picture full of glare cannot ask for more memory than some megabytes.
        piece = max(1, settings.pixels // group.grey.shape[1])
        for k in range(0, len(group.frame), piece):
            part = chosen_cutouts(group, np.arange(k, min(k + piece, len(group.frame))))
            parts.append(measure(part, sd, settings.gain or 0.0, settings=settings))
    found = dots_joined(parts)
    return replace(found, frame=found.frame + first)


def shot_gain(images: Iterable[Image], settings: DotSettings = DOTS) -> float:
    """Grey levels an electron, from how the fits' residuals grow with the light; 0 where the
    growth is under `gain_sure` of its standard deviations. All these images are looked at together.
    """
    cut, sd, _ = _search(list(images), settings)
    gain, certain = 0.0, np.inf
    for _ in range(5):
        sums = np.zeros(2)
        for group in cut:
            noise, light = noise_and_light(group, sd, gain, settings=settings)
            weight = light / (2.0 * (sd**2 + gain * light) ** 2)
            sums += [np.sum(weight * (noise - sd**2)), np.sum(weight * light)]
        if sums[1] <= 0.0:
            return 0.0
        gain, certain = max(float(sums[0] / sums[1]), 0.0), float(np.sqrt(sums[1]))
    return gain if gain * certain > settings.gain_sure else 0.0


def with_gain(frames: Frames, settings: DotSettings = DOTS, looks: int = 6) -> DotSettings:
    """The settings with their gain measured on some images spread over the record."""
    if settings.gain is not None or len(frames) == 0:
        return settings
    chosen = np.unique(np.linspace(0, len(frames) - 1, looks).astype(int))
    return replace(settings, gain=shot_gain((frames[int(k)] for k in chosen), settings))


def stream_dots(images: Iterable[Image], settings: DotSettings = DOTS) -> Iterator[Dots]:
    """Dots of images one after the other, handed over every few images.

    Memory is that of `settings.batch` images and their dots. Frames count from 0. Without a
    gain in the settings the noise is taken as additive; `with_gain` measures it.
    """
    waiting: list[Image] = []
    first = 0
    for image in images:
        waiting.append(image)
        if len(waiting) == settings.batch:
            yield _dots_of(waiting, first, settings)
            first, waiting = first + settings.batch, []
    if waiting:
        yield _dots_of(waiting, first, settings)


def find_dots(frames: Frames, settings: DotSettings = DOTS) -> Dots:
    """Every bright dot in a camera's images.

    Parameters
    ----------
    frames : grey images (H, W), 8 or 16 bit, read one at a time.

    Returns
    -------
    dots : by frame. `sd` holds for independent pixel noise; a dot that the model does not fit has
        its sd widened by the square root of chi-square a degree of freedom. `streak` is the blur's
        length where it is clear of a round dot's. Two overlapping dots are parted where they stand
        more than 3 standard widths apart (1.5 times the full width at 0.61 of the peak) and the
        pair fits better than a streak; else they are one dot, flagged `merged`, with an sd that
        covers both.
    """
    return dots_joined(list(stream_dots(frames, with_gain(frames, settings))))
