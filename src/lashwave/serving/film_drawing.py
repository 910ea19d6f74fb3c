"""The line's motion as an MP4: parallel projection, its recent shapes fading behind it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from lashwave.files import read_motion, replace_file
from lashwave.pipeline import Progress
from lashwave.quantities import Array, InputError, interpolate
from lashwave.serving.film_plan import HEIGHT, WIDTH
from lashwave.serving.film_words import put_words

EDGE = 60
BESIDE = 380
"""Side of a camera's picture beside the line [px]."""
FADED = (150, 150, 150)
GHOSTS = 14
"""Earlier shapes that are drawn, fading."""
PAPER, INK, LINE, TIP = (255, 255, 255), (32, 28, 26), (178, 114, 0), (0, 94, 213)
"""Blue, green, red: blue and vermilion of the colour-blind safe set of Okabe and Ito (2008)."""
FINE = 4
"""Bits of a pixel's fraction in drawing."""
CODECS = (("libx264", {"crf": "18", "preset": "medium"}), ("mpeg4", {"qscale": "3"}))


def screen_axes(azimuth: float, elevation: float) -> Array:
    """(2, 3): right and up of the screen in the lab, for an eye at these angles [deg].

    At 0, 0 the eye looks along +y: x to the right, z up. Azimuth turns the eye about z,
    counter-clockwise seen from above; elevation lifts it.
    """
    a, e = np.radians([azimuth, elevation])
    right = [np.cos(a), np.sin(a), 0.0]
    up = [-np.sin(a) * np.sin(e), np.cos(a) * np.sin(e), np.cos(e)]
    return np.array([right, up])


def write_film(arguments: dict[str, Any], show: Progress) -> None:
    """Write arguments["out"]; keys as `film_plan.plan` gives them, and `motion` and `title`.

    Raises InputError where the motion has no time in the span.
    """
    show("reading", 0.0)
    motion = read_motion(Path(arguments["motion"]))
    time = motion["time"].values
    begin = time[0] if arguments["from"] is None else max(arguments["from"], time[0])
    end = time[-1] if arguments["to"] is None else min(arguments["to"], time[-1])
    if end <= begin:
        raise InputError("motion.nc", "has no time in that span", "ask for a later one", field="to")
    count = max(2, round(arguments["rate"] * arguments["duration"]))
    at = np.linspace(begin, end, count)
    place, velocity = interpolate(time, motion["position"].values, motion["velocity"].values, at)
    speed = np.linalg.norm(velocity[:, -1], axis=-1)
    sd = np.interp(at, time, tip_speed_sd(motion))
    beside = _pictures(arguments.get("beside"))
    flat = place @ screen_axes(arguments["azimuth"], arguments["elevation"]).T
    uv, scale = fitted(flat, WIDTH - (BESIDE + EDGE if beside is not None else 0))
    slower = arguments["duration"] / (end - begin)

    def images() -> Iterator[NDArray]:
        for k in range(count):
            digits = max(0, 1 - int(np.floor(np.log10(max(sd[k], 1e-3)))))
            said = f"{1e3 * at[k]:.3f} ms    tip {speed[k]:.{digits}f} ± {sd[k]:.{digits}f} m/s"
            slow = f"{slower:.3g} times slower"
            words = (str(arguments["title"]), f"{said} (best motion)    {slow}")
            image = drawn(uv[max(0, k - GHOSTS) : k + 1], words, scale)
            _strip(image, arguments.get("events") or [], (begin, end), float(at[k]))
            if beside is not None:
                _inset(image, beside(float(at[k])))
            yield image
            show("drawing", (k + 1) / count)

    out = Path(arguments["out"])
    replace_file(out, lambda aside: encode(aside, images(), arguments["rate"]))
    show("done", 1.0)


def tip_speed_sd(motion: Any) -> Array:
    """Standard deviation (K,) of the tip's speed [m/s], to first order."""
    from lashwave.serving.motion_pack import speed_sd

    return speed_sd(motion["velocity"].values[:, -1], motion["velocity_sd"].values[:, -1])


def _pictures(beside: dict[str, Any] | None) -> Callable[[float], NDArray[np.uint8] | None] | None:
    """A camera's picture at a lab time, None where it has none; None where none are wanted."""
    if beside is None:
        return None
    from lashwave.serving.camera_pictures import CameraPictures
    from lashwave.serving.library import Library
    from lashwave.serving.opened import Reader
    from lashwave.serving.replies import Refused

    trial = Path(beside["trial"])
    reader = Reader(Library(trial.parent))
    pictures, opened = CameraPictures(reader), reader.trial(trial.name)

    def at(moment: float) -> NDArray[np.uint8] | None:
        frame = round((moment - beside["offset"]) * beside["rate"] / (1.0 + beside["drift"]))
        try:
            body = pictures.image(opened, beside["name"], frame, "png")
        except Refused:
            return None
        return np.asarray(cv2.imdecode(np.frombuffer(body, np.uint8), cv2.IMREAD_COLOR), np.uint8)

    return at


def _inset(image: NDArray[np.uint8], picture: NDArray[np.uint8] | None) -> None:
    """Puts a camera's picture at the right, or an empty frame with a word."""
    left, top = WIDTH - BESIDE - EDGE // 2, EDGE + 20
    if picture is None:
        cv2.rectangle(image, (left, top), (left + BESIDE, top + BESIDE), FADED, 1, cv2.LINE_AA)
        put_words(image, "no picture", (left + 12, top + 28), 17, INK)
        return
    high, wide = picture.shape[:2]
    scale = BESIDE / max(high, wide)
    small = cv2.resize(
        picture, (round(wide * scale), round(high * scale)), interpolation=cv2.INTER_AREA
    )
    image[top : top + small.shape[0], left : left + small.shape[1]] = small


def _strip(
    image: NDArray[np.uint8], events: list[dict[str, Any]], span: tuple[float, float], now: float
) -> None:
    """The film's stretch of time along the foot: events with their names, and the moment."""
    begin, end = span
    left, right, row = EDGE, WIDTH - 4 * EDGE, HEIGHT - 24

    def x(moment: float) -> int:
        return left + round((moment - begin) / (end - begin) * (right - left))

    cv2.line(image, (left, row), (right, row), FADED, 1, cv2.LINE_AA)
    free = 0
    for event in sorted(events, key=lambda one: float(one["time"])):
        if not begin <= event["time"] <= end:
            continue
        at = x(event["time"])
        cv2.line(image, (at, row - 8), (at, row + 8), TIP, 2, cv2.LINE_AA)
        if at >= free:  # a name that would lie over another is left out
            free = 8 + put_words(image, str(event["name"]), (at + 4, row - 10), 14, INK)
    cv2.line(image, (x(now), row - 12), (x(now), row + 12), INK, 2, cv2.LINE_AA)


def fitted(flat: Array, width: int = WIDTH) -> tuple[Array, float]:
    """Pixels (K, S, 2) of screen coordinates [m], one scale for both axes, and px a metre.

    width : of the left part of the image that the line has to itself [px].
    """
    known = flat.reshape(-1, 2)
    known = known[np.isfinite(known).all(axis=1)]
    low, high = known.min(axis=0), known.max(axis=0)
    extent = np.maximum(high - low, 1e-6)
    scale = float(min((width - 2 * EDGE) / extent[0], (HEIGHT - 4 * EDGE) / extent[1]))
    centre = 0.5 * (low + high)
    uv = (flat - centre) * scale * [1.0, -1.0] + [width / 2, HEIGHT / 2]
    return uv, scale


def drawn(shapes: Array, words: tuple[str, str], scale: float) -> NDArray[np.uint8]:
    """One image (HEIGHT, WIDTH, 3), blue-green-red: the last of `shapes` (G, S, 2) [m] on top."""
    image = np.full((HEIGHT, WIDTH, 3), PAPER, np.uint8)
    for k, shape in enumerate(shapes[:-1]):
        fade = 0.08 + 0.32 * (k + 1) / len(shapes)
        colour = tuple(int(p + fade * (c - p)) for p, c in zip(PAPER, LINE, strict=True))
        _curve(image, shape, colour, 1)
    _curve(image, shapes[-1], LINE, 3)
    tip = tuple(int(v) for v in np.round(shapes[-1][-1] * 2**FINE))
    cv2.circle(image, tip, 5 << FINE, TIP, -1, cv2.LINE_AA, FINE)
    for i, text in enumerate(words):
        put_words(image, text, (24, 34 + 28 * i), 20, INK)
    _ruler(image, scale)
    return image


def _curve(image: NDArray[np.uint8], uv: Array, colour: tuple[int, ...], width: int) -> None:
    points = np.round(uv[np.isfinite(uv).all(axis=1)] * 2**FINE).astype(np.int32)
    cv2.polylines(image, [points], False, colour, width, cv2.LINE_AA, FINE)


def _ruler(image: NDArray[np.uint8], scale: float) -> None:
    """A bar of a round length below the line."""
    wanted = 0.15 * WIDTH / scale
    power = 10.0 ** np.floor(np.log10(wanted))
    length = power * max(m for m in (1, 2, 5) if m * power <= wanted)
    left, row = WIDTH - EDGE - round(length * scale), HEIGHT - 24
    cv2.line(image, (left, row), (WIDTH - EDGE, row), INK, 2, cv2.LINE_AA)
    put_words(image, f"{length:g} m", (left, row - 8), 17, INK)


def encode(path: Path, images: Any, rate: float) -> None:
    """MP4 of images (HEIGHT, WIDTH, 3), blue-green-red, that any browser plays (H.264, 4:2:0)."""
    name, options = next((n, o) for n, o in CODECS if n in av.codecs_available)
    with av.open(str(path), "w", format="mp4", options={"movflags": "faststart"}) as out:
        stream: Any = out.add_stream(name, Fraction(rate).limit_denominator(1000), options=options)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        for image in images:
            out.mux(stream.encode(av.VideoFrame.from_ndarray(image, "bgr24")))
        out.mux(stream.encode())
