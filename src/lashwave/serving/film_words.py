"""Words in a film's images, in any script that DejaVu Sans has: it comes with matplotlib."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.ft2font import FT2Font
from numpy.typing import NDArray


@cache
def _font() -> FT2Font:
    return FT2Font(str(Path(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"))


def put_words(
    image: NDArray[np.uint8], text: str, spot: tuple[int, int], size: int, ink: tuple[int, ...]
) -> int:
    """Write text into an image (H, W, 3) and say where it ends [px]; what lies outside is cut.

    spot : column at which the text begins and row of its baseline [px]. size : height of the
    letters' body [px]. ink : as the image has its colours.
    """
    font = _font()
    font.set_size(size, 72)
    font.set_text(text or " ", 0.0)
    font.draw_glyphs_to_bitmap(antialiased=True)
    letters = np.asarray(font.get_image(), dtype=float) / 255.0
    high, wide = letters.shape
    left, top = spot[0], spot[1] - high + round(font.get_descent() / 64)
    rows = np.arange(max(top, 0), min(top + high, image.shape[0]))
    columns = np.arange(max(left, 0), min(left + wide, image.shape[1]))
    cover = letters[np.ix_(rows - top, columns - left)][..., None]
    under = image[np.ix_(rows, columns)]
    image[np.ix_(rows, columns)] = np.round(under + cover * (np.array(ink, float) - under))
    return left + wide
