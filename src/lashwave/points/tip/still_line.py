"""A part of the line that stands still is dark in the background too: there it is lit up.

What is dark in the background, wider than a wire and no wider than a line may be, is taken for the
line: the background there becomes that of what lies about it, so that every frame shows the line
whole. A stand or a rod in view looks alike; regions that are such alone are left out.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from lashwave.points.background import BACKGROUND, Background
from lashwave.points.tip.line_mask import DarkRegion, Mask
from lashwave.points.tip.tip_settings import TIP, TipSettings


def with_line_lit(scene: Background, settings: TipSettings = TIP) -> tuple[Background, Mask]:
    """The background without the line's still parts, and (H, W) where those are."""
    size = 2 * int(settings.fit_widest) + 1
    about = cv2.morphologyEx(scene.level, cv2.MORPH_CLOSE, np.ones((size, size), np.uint8))
    bright = float(np.quantile(scene.level, 0.75))
    dark = (scene.level < settings.mask_standing * about) & (about > BACKGROUND.dim * bright)
    still = _parts(dark, settings)
    if not still.any():
        return scene, still
    edge = cv2.dilate(still.view(np.uint8), np.ones((5, 5), np.uint8)).view(np.bool_) & dark
    lit = still | edge
    level = np.where(lit, about, scene.level)
    noise = np.where(lit, np.float32(np.median(scene.noise[scene.usable])), scene.noise)
    return replace(scene, level=level, noise=noise, usable=scene.usable | lit), still


def _parts(dark: Mask, settings: TipSettings) -> Mask:
    """(H, W) what of a dark background is no wire, no dust, and not beyond the window."""
    border = np.ones_like(dark)
    border[1:-1, 1:-1] = False
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (settings.mask_wire,) * 2)
    wide = cv2.morphologyEx(dark.view(np.uint8), cv2.MORPH_OPEN, disc)
    found = np.zeros_like(dark)
    for thin, part in ((False, wide), (True, dark.view(np.uint8))):
        _, labels, stats, _ = cv2.connectedComponentsWithStats(part)
        long = stats[:, cv2.CC_STAT_WIDTH : cv2.CC_STAT_HEIGHT + 1].max(axis=1)
        along = np.bincount(labels[border], minlength=len(long))
        kept = (long > settings.mask_least_region) & (along <= 1.5 * settings.fit_widest)
        kept[0] = False
        if thin:  # a wire goes on to another side of the picture
            for label in np.flatnonzero(kept & (along > 0)):
                sides = cv2.connectedComponents(((labels == label) & border).view(np.uint8))[0] - 1
                kept[label] = sides < 2
        found |= kept[labels]
    return found


def moves(region: DarkRegion, still: Mask) -> bool:
    """Whether a dark region is more than what stands still (H, W)."""
    h, w = region.mask.shape
    u, v = region.corner
    return bool((region.mask & still[v : v + h, u : u + w]).sum() < 0.8 * region.mask.sum())
