"""Which pixels of a frame may belong to the line: dark, thin, one-sided, let in by an edge.

A pressure front bends light from one place to another: beside its dark side stands a bright one,
and across both little light is missing (Settles, Schlieren and Shadowgraph Techniques, 2001,
ch. 2). An opaque line takes light away for good. So a region must still be dark after a blur
that spreads a front's two sides into each other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lashwave.points.background import Background, Plane, darkness_noise
from lashwave.points.tip.tip_settings import TIP, TipSettings
from lashwave.quantities import Mask


@dataclass(frozen=True)
class MaskThresholds:
    """What the mask of every frame of one camera needs, made once."""

    weight: Plane
    """1 where usable, 0 elsewhere."""
    fine_share: Plane
    """Of the fine blur's kernel that falls on usable pixels."""
    coarse_share: Plane
    sure: Plane
    """Thresholds on the fine blur [share of light]."""
    likely: Plane
    rim: Mask
    """Where a line may come in."""
    standing: Mask
    """Dark in every frame, long, and no wire: a part of the line that stands still."""
    stem: Mask
    """About what stands and reaches the rim at one place alone, as a line does and no wire: there
    the moving part of the line begins."""

    @property
    def seen(self) -> Mask:
        """(H, W), no unit: where enough of the kernel is known to measure."""
        return np.asarray(self.fine_share > 0.15)

    def within(self, box: tuple[slice, slice]) -> MaskThresholds:
        """The same of a part of the picture, (h, w) each, no unit."""
        return MaskThresholds(*(plane[box] for plane in vars(self).values()))


@dataclass(frozen=True)
class DarkRegion:
    """A connected dark region that may be the line."""

    corner: tuple[int, int]
    """u, v of the first pixel of `mask`."""
    mask: Mask
    """(h, w), cut out of the frame."""
    rim: Mask
    """(h, w): its pixels at which it came in."""
    shade: Plane
    """(h, w) finely blurred darkness."""
    black: bool = False
    """Known by its blackness alone: what is less dark may touch it anywhere."""


def blurred(plane: NDArray, sd: float) -> Plane:
    """Gaussian blur (H, W) of a picture, standard deviation `sd` [px]."""
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sd, borderType=cv2.BORDER_REPLICATE))


def mask_thresholds(scene: Background, settings: TipSettings = TIP) -> MaskThresholds:
    """Thresholds and rim of one camera, from its background.

    Wires are gaps that the blur bridges; large unusable regions are beyond the window, and the
    line may come in at their edge.
    """
    weight = scene.usable.astype(np.float32)
    size = 4 * settings.mask_border + 1
    wide = cv2.morphologyEx(
        (~scene.usable).astype(np.uint8), cv2.MORPH_OPEN, np.ones((size, size), np.uint8)
    )
    near = cv2.dilate(
        wide, np.ones((2 * settings.mask_border + 1, 2 * settings.mask_border + 1), np.uint8)
    ).astype(bool)
    rim = near & ~wide.astype(bool)
    rim[: settings.mask_border] = rim[-settings.mask_border :] = True
    rim[:, : settings.mask_border] = rim[:, -settings.mask_border :] = True
    # White noise of sd s blurred by a Gaussian of sd g keeps s / (2 sqrt(pi) g).
    noise = blurred(darkness_noise(scene), 2.0) / np.float32(
        2.0 * np.sqrt(np.pi) * settings.mask_fine_blur
    )
    fine = np.maximum(blurred(weight, settings.mask_fine_blur), np.float32(1e-3))
    noise = noise / np.sqrt(fine)
    standing, stem = _standing(scene, rim, settings)
    return MaskThresholds(
        weight,
        fine,
        np.maximum(blurred(weight, settings.mask_coarse_blur), np.float32(1e-3)),
        np.maximum(settings.mask_sure * noise, np.float32(settings.mask_sure_depth)).astype(
            np.float32
        ),
        np.maximum(settings.mask_likely * noise, np.float32(settings.mask_least_depth)).astype(
            np.float32
        ),
        rim,
        standing,
        stem,
    )


def _standing(scene: Background, rim: Mask, settings: TipSettings) -> tuple[Mask, Mask]:
    """(H, W) what of the line is dark in the background itself, and about its part at the rim."""
    size = 2 * int(settings.fit_widest) + 1
    about = cv2.morphologyEx(scene.level, cv2.MORPH_CLOSE, np.ones((size, size), np.uint8))
    dark = blurred(scene.level, 0.5) < settings.mask_standing * about
    _, labels, stats, _ = cv2.connectedComponentsWithStats(dark.view(np.uint8))
    long = stats[:, cv2.CC_STAT_WIDTH : cv2.CC_STAT_HEIGHT + 1].max(axis=1)
    kept = long >= settings.mask_standing_long
    kept[0] = False
    border = np.zeros_like(rim)
    border[: settings.mask_border] = border[-settings.mask_border :] = True
    border[:, : settings.mask_border] = border[:, -settings.mask_border :] = True
    stem = np.zeros_like(dark)
    for label in np.unique(labels[border & dark]):
        own = labels == label
        # A wire goes on to another side of the picture; a line does not.
        if cv2.connectedComponents((own & border).view(np.uint8))[0] > 2:
            kept[label] = False
        elif kept[label]:
            stem |= own
    square = np.ones((2 * settings.mask_stem_about + 1,) * 2, np.uint8)
    return kept[labels], np.asarray(cv2.dilate(stem.view(np.uint8), square)).view(np.bool_)


def dark_regions(
    dark: Plane, thresholds: MaskThresholds, settings: TipSettings = TIP
) -> list[DarkRegion]:
    """Regions of one frame that may be the line, largest first.

    Parameters
    ----------
    dark : `background.darkness` of the frame.
    """
    shade = blurred(dark, settings.mask_fine_blur) / thresholds.fine_share
    # Too little of the kernel on good pixels is a guess, not a measurement.
    likely = (shade > thresholds.likely) & thresholds.seen
    box, inner = _box(likely, 4 * int(np.ceil(settings.mask_coarse_blur)) + settings.mask_margin)
    if box is None:
        return []
    # Most of a picture is bright: what follows looks at the part about what is dark.
    dark, shade, likely = dark[box], shade[box], likely[box].copy()
    here = thresholds.within(box)
    likely &= blurred(dark, settings.mask_coarse_blur) / here.coarse_share > settings.mask_net
    square = np.ones((2 * settings.mask_beside + 1, 2 * settings.mask_beside + 1), np.uint8)
    alone = likely & (shade > settings.mask_bright * np.asarray(cv2.dilate(-shade, square)))
    sure = (shade > here.sure) & alone
    if np.count_nonzero(sure) < settings.mask_least_region:
        return []
    depth = _own_depth(shade, alone, sure)
    deepest = float(np.quantile(depth[sure], 0.5))
    likely &= (alone & (shade > depth * settings.mask_relative)) | (
        shade > settings.mask_opaque * deepest
    )
    sure &= likely
    found = _regions(likely, sure, shade, here, settings=settings)
    return [replace(r, corner=(r.corner[0] + inner[0], r.corner[1] + inner[1])) for r in found]


def _box(likely: Mask, margin: int) -> tuple[tuple[slice, slice] | None, tuple[int, int]]:
    """The part of a picture about what is likely, and u, v of its first pixel; None for nothing."""
    rows, columns = np.flatnonzero(likely.any(axis=1)), np.flatnonzero(likely.any(axis=0))
    if not rows.size:
        return None, (0, 0)
    top, left = max(int(rows[0]) - margin, 0), max(int(columns[0]) - margin, 0)
    return (slice(top, int(rows[-1]) + margin + 1), slice(left, int(columns[-1]) + margin + 1)), (
        left,
        top,
    )


def black_regions(
    dark: Plane, thresholds: MaskThresholds, settings: TipSettings = TIP
) -> list[DarkRegion]:
    """Regions as black as the blackest in the frame, fronts and strands left out.

    Where a front or a tuft joins the line, its blackness still tells it apart: a front's dark
    side keeps some light. Only for lines wide enough (3 px) to be black in the middle.
    """
    shade = blurred(dark, settings.mask_fine_blur) / thresholds.fine_share
    place = shade.size - settings.mask_black_pixels
    level = float(np.partition(shade, place, axis=None)[place])
    if level < settings.mask_black:
        return []
    black = (shade > settings.mask_opaque * level) & (thresholds.fine_share > 0.5)
    return _regions(black, black, shade, thresholds, True, settings=settings)


def _regions(
    likely: Mask,
    sure: Mask,
    shade: Plane,
    thresholds: MaskThresholds,
    black: bool = False,
    settings: TipSettings = TIP,
) -> list[DarkRegion]:
    """Connected regions that are long enough and sure enough, largest first."""
    height_all, width_all = likely.shape
    least = settings.mask_least_region
    count, labels, stats, _ = cv2.connectedComponentsWithStats(likely.view(np.uint8))
    sure_pixels = np.bincount(labels[sure], minlength=count)
    found = []
    for label in np.argsort(-stats[:, cv2.CC_STAT_AREA]):
        left, top, width, height, _ = (int(x) for x in stats[label])
        if label == 0 or max(width, height) < least or sure_pixels[label] < least:
            continue
        low, left_low = max(top - settings.mask_margin, 0), max(left - settings.mask_margin, 0)
        box = (
            slice(low, min(top + height + settings.mask_margin, height_all)),
            slice(left_low, min(left + width + settings.mask_margin, width_all)),
        )
        mask = labels[box] == label
        rim = mask & thresholds.rim[box]
        if not rim.any():
            rim = mask & thresholds.stem[box]
        found.append(DarkRegion((left_low, low), mask, rim, shade[box], black))
    return found


def _own_depth(shade: Plane, likely: Mask, sure: Mask) -> Plane:
    """For each pixel of a region, how dark that region is where it is dark (its upper fifth)."""
    count, labels = cv2.connectedComponents(likely.view(np.uint8))
    depth = np.zeros(count, dtype=np.float32)
    names, values = labels[sure], shade[sure]
    for label in np.unique(names):
        depth[label] = np.quantile(values[names == label], 0.8)
    return depth[labels]
