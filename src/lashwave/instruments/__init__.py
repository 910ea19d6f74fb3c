"""Room: instruments. What an instrument reads, given a motion; places from several views.

Others come in by the names below. Each is loaded when it is first asked for: what cameras, clocks
and marker systems read, which every command needs, then costs no picture library.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lashwave.instruments.camera import exposed, in_view, project, project_jacobian
    from lashwave.instruments.clock import flash_bound, flash_frames, frame_at, frame_time
    from lashwave.instruments.marker_system import (
        BRIDGED,
        MarkerRig,
        few_seen,
        marker_reading,
        transported,
    )
    from lashwave.instruments.schlieren import (
        Backdrop,
        Knife,
        Strands,
        Strobe,
        draw_backdrop,
        draw_strands,
        fan,
        front_light,
        shadow,
        strobe_light,
    )
    from lashwave.instruments.sensor import (
        Light,
        Sensor,
        Spot,
        dot_light,
        over_exposure,
        read_out,
    )
    from lashwave.instruments.triangulation import (
        Rays,
        disagreement,
        rays,
        triangulate_many,
        undistort,
    )
    from lashwave.instruments.wavelets import (
        Hearing,
        ImageGrid,
        SoundSource,
        arrival,
        envelope,
        pile_ups,
        recorded,
    )

__all__ = [
    "BRIDGED",
    "Backdrop",
    "Hearing",
    "ImageGrid",
    "Knife",
    "Light",
    "MarkerRig",
    "Rays",
    "Sensor",
    "SoundSource",
    "Spot",
    "Strands",
    "Strobe",
    "arrival",
    "disagreement",
    "dot_light",
    "draw_backdrop",
    "draw_strands",
    "envelope",
    "exposed",
    "fan",
    "few_seen",
    "flash_bound",
    "flash_frames",
    "frame_at",
    "frame_time",
    "front_light",
    "in_view",
    "marker_reading",
    "over_exposure",
    "pile_ups",
    "project",
    "project_jacobian",
    "rays",
    "read_out",
    "recorded",
    "shadow",
    "strobe_light",
    "transported",
    "triangulate_many",
    "undistort",
]

_HOME = {
    "BRIDGED": "marker_system",
    "Backdrop": "schlieren",
    "Hearing": "wavelets",
    "ImageGrid": "wavelets",
    "Knife": "schlieren",
    "Light": "sensor",
    "MarkerRig": "marker_system",
    "Rays": "triangulation",
    "Sensor": "sensor",
    "SoundSource": "wavelets",
    "Spot": "sensor",
    "Strands": "schlieren",
    "Strobe": "schlieren",
    "arrival": "wavelets",
    "disagreement": "triangulation",
    "dot_light": "sensor",
    "draw_backdrop": "schlieren",
    "draw_strands": "schlieren",
    "envelope": "wavelets",
    "exposed": "camera",
    "fan": "schlieren",
    "few_seen": "marker_system",
    "flash_bound": "clock",
    "flash_frames": "clock",
    "frame_at": "clock",
    "frame_time": "clock",
    "front_light": "schlieren",
    "in_view": "camera",
    "marker_reading": "marker_system",
    "over_exposure": "sensor",
    "pile_ups": "wavelets",
    "project": "camera",
    "project_jacobian": "camera",
    "rays": "triangulation",
    "read_out": "sensor",
    "recorded": "wavelets",
    "shadow": "schlieren",
    "strobe_light": "schlieren",
    "transported": "marker_system",
    "triangulate_many": "triangulation",
    "undistort": "triangulation",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"lashwave.instruments has no {name}")
    return getattr(import_module(f"lashwave.instruments.{_HOME[name]}"), name)
