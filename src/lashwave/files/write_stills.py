"""Grey images as a row of TIFF or PNG files that `open_frames` reads back the same."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import tifffile

from lashwave.files.still_files import PNG, TIFF
from lashwave.files.swap import replace_file
from lashwave.quantities import Image


def write_frames(folder: Path, pattern: str, images: Iterable[Image], bits: int) -> int:
    """Write each image as it comes to a file of its own; the number written.

    Parameters
    ----------
    folder : made where it does not exist.
    pattern : name of a file with the place of the frame's number, as "frame-{:06d}.tif"; the
        ending says TIFF (packed by zlib) or PNG.
    images : (height, width), grey, of one size.
    bits : of a pixel, 8 or 16.

    Raises
    ------
    ValueError
        For images of another kind or size, an ending that is neither, and numbers that outgrow
        their padding, after which name order would no longer be frame order.
    """
    kind = {8: np.dtype(np.uint8), 16: np.dtype(np.uint16)}[bits]
    ending = Path(pattern).suffix.lower()
    if ending not in (*TIFF, *PNG):
        raise ValueError(f"{pattern!r} is neither TIFF nor PNG")
    folder.mkdir(parents=True, exist_ok=True)
    count, shape, last = 0, None, ""
    for count, image in enumerate(images, 1):
        name = pattern.format(count - 1)
        if name <= last or Path(name).name != name:
            raise ValueError(f"{name!r} does not follow {last!r} in name order")
        if image.dtype != kind or image.ndim != 2 or (shape or image.shape) != image.shape:
            raise ValueError(f"image {count - 1} is {image.dtype} {image.shape}, not as the first")
        shape, last = image.shape, name
        replace_file(folder / name, partial(_write, image=image, ending=ending))
    return count


def _write(path: Path, image: Image, ending: str) -> None:
    if ending in TIFF:
        # Packed without loss: most of an infrared image is dark.
        tifffile.imwrite(
            path, image, photometric="minisblack", metadata=None, predictor=False,
            compression="zlib", compressionargs={"level": 1},
        )  # fmt: skip
        return
    done, data = cv2.imencode(".png", image)
    if not done:
        raise OSError(f"{path} cannot be written as PNG")
    path.write_bytes(data.tobytes())
