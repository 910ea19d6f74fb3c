"""Room: points. Pictures and sound become sightings.

Others come in by the names below. Each is loaded when it is first asked for: what a microphone's
peak means, which `check` needs, then costs no picture library.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lashwave.points.clock_sound import cautions, locate_onset
    from lashwave.points.dots import locate_markers
    from lashwave.points.fast_camera import locate_fast, pinned

__all__ = ["cautions", "locate_fast", "locate_markers", "locate_onset", "pinned"]

_HOME = {
    "cautions": "clock_sound",
    "locate_fast": "fast_camera",
    "locate_markers": "dots",
    "locate_onset": "clock_sound",
    "pinned": "fast_camera",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"lashwave.points has no {name}")
    return getattr(import_module(f"lashwave.points.{_HOME[name]}"), name)
