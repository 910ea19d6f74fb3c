"""Can the fit be believed? Residuals, their whiteness, and warnings in the user's words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lashwave.estimate.joint import Joint
from lashwave.estimate.setup import Setup
from lashwave.quantities.errors import NotConvergedError
from lashwave.quantities.fit import DISTRUSTED, Residuals

Array = NDArray[np.float64]
TOO_MANY = 0.08
HOPELESS = 0.4


def whiteness(residual: Array) -> float:
    """Mean lag-one correlation of residuals (T, L, 3) along time; 0 = white."""
    a, b = residual[:-1], residual[1:]
    both = np.isfinite(a) & np.isfinite(b)
    if not both.any():
        return 0.0
    a, b = np.where(both, np.clip(a, -5, 5), 0.0), np.where(both, np.clip(b, -5, 5), 0.0)
    return float((a * b).sum() / max(np.sqrt((a * a).sum() * (b * b).sum()), 1e-30))


def residuals_of(setup: Setup, joint: Joint) -> Residuals:
    """Sightings against the motion."""
    seen = joint.seen
    used = np.isfinite(seen.marker).any(-1)
    return Residuals(
        marker=seen.marker,
        marker_weight=np.where(used, joint.weights.marker, np.nan),
        camera=seen.camera,
        camera_weight=joint.weights.camera,
        whiteness=whiteness(seen.marker),
    )


def warnings_of(setup: Setup, joint: Joint) -> tuple[str, ...]:
    """What the user must know; raises NotConvergedError where nothing can be believed."""
    found = []
    seen = joint.seen
    used = np.isfinite(seen.marker).any(-1)
    doubted = float(np.mean(joint.weights.marker[used] < DISTRUSTED)) if used.any() else 1.0
    if doubted > HOPELESS:
        raise NotConvergedError(
            f"{100 * doubted:.0f} % of the marker samples contradict the motion that was found; "
            "check labels, stations, units and the line's mass and stiffness"
        )
    if doubted > TOO_MANY:
        found.append(
            f"{100 * doubted:.0f} % of the marker samples are distrusted; the motion may be wrong"
        )
    for name, weight in joint.weights.camera.items():
        inside = np.isfinite(seen.camera[name]).all(-1)
        if inside.any() and np.mean(weight[inside] < DISTRUSTED) > TOO_MANY:
            share = 100 * float(np.mean(weight[inside] < DISTRUSTED))
            found.append(f"camera {name}: {share:.0f} % of the points are distrusted")
        if not inside.any() and weight.size:
            found.append(f"camera {name}: none of its points falls within the record")
    if not joint.converged:
        found.append("the cost was still falling when the fit stopped: intervals may be too narrow")
    found.extend(joint.doubts)
    found.extend(_clock_warnings(setup, joint))
    if setup.stiffness_source == "guess":
        found.append("bending stiffness was neither measured nor stated; it was guessed and fitted")
    return tuple(found)


def _clock_warnings(setup: Setup, joint: Joint) -> list[str]:
    found = []
    for camera in setup.trial.cameras:
        column = setup.shared.index(f"clock_offset:{camera.name}")
        away = abs(joint.path.shared[column] - camera.clock.offset)
        if camera.frame.size and away > 2.5 * camera.clock.offset_sd:
            found.append(
                f"camera {camera.name}: its clock came out {1e3 * away:.2f} ms from the stated "
                f"offset, {away / camera.clock.offset_sd:.1f} of its standard deviations"
            )
    return found
