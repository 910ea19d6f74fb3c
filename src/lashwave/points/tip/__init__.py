"""The line's tip in the pictures of a fast camera, and its tuft."""

from lashwave.points.tip.bar_fit import TipFit, TipSeen
from lashwave.points.tip.find_tip import tip_track, tips_in
from lashwave.points.tip.tip_settings import TipSettings
from lashwave.points.tip.tuft import TuftSeen, tuft_of, tuft_widths

__all__ = [
    "TipFit",
    "TipSeen",
    "TipSettings",
    "TuftSeen",
    "tip_track",
    "tips_in",
    "tuft_of",
    "tuft_widths",
]
