"""Where a fit ended, as plain arrays: enough to go on from, without the search."""

from __future__ import annotations

from dataclasses import dataclass

from lashwave.estimate.anchor import Anchor
from lashwave.estimate.path import Path
from lashwave.estimate.setup import FitSetup
from lashwave.estimate.sighting_rows import Weights
from lashwave.quantities import Array


@dataclass(frozen=True)
class State:
    """A path with what its cost is made of."""

    path: Path
    density: Array
    """(K, N + 1) [m2/s3], of the random acceleration"""
    weights: Weights
    anchor: Anchor


def as_arrays(state: State) -> dict[str, Array]:
    """Everything in it under plain names, to be kept."""
    path, anchor = state.path, state.anchor
    kept = {
        "time": path.time,
        "base": path.base,
        "direction": path.direction,
        "shared": path.shared,
        "chord": path.chord,
        "density": state.density,
        "marker_weight": state.weights.marker,
        "anchor_matrix": anchor.matrix,
        "anchor_offset": anchor.offset,
        "anchor_base": anchor.base,
        "anchor_direction": anchor.direction,
        "anchor_axes": anchor.axes,
    }
    for name, weight in state.weights.camera.items():
        kept[f"camera_weight:{name}"] = weight
    return kept


def from_arrays(setup: FitSetup, kept: dict[str, Array]) -> State | None:
    """The state, or None where the arrays belong to another trial or another cut of the line."""
    cameras = {f"camera_weight:{c.name}": c.frame.size for c in setup.trial.cameras}
    names = {"time", "base", "direction", "shared", "chord", "density", "marker_weight"}
    if not {*names, *cameras} <= kept.keys():
        return None
    links = setup.chain.links
    fits = (
        kept["direction"].shape[1:] == (links, 3)
        and kept["shared"].shape == setup.shared.mean.shape
        and kept["marker_weight"].shape == setup.trial.markers.position.shape[:2]
        and all(kept[name].size == size for name, size in cameras.items())
    )
    if not fits:
        return None
    path = Path(*(kept[name] for name in ("time", "base", "direction", "shared", "chord")))
    camera = {name.split(":", 1)[1]: kept[name] for name in cameras}
    anchor = Anchor(
        *(kept[f"anchor_{name}"] for name in ("matrix", "offset", "base", "direction", "axes"))
    )
    return State(path, kept["density"], Weights(kept["marker_weight"], camera), anchor)
