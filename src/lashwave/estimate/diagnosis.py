"""Can the fit be believed? Residuals, their whiteness, and warnings in the user's words."""

from __future__ import annotations

import numpy as np

from lashwave.estimate.forbidden import NAMED, in_rows, share_of_given
from lashwave.estimate.joint import Joint
from lashwave.estimate.marker_tracks import off_track
from lashwave.estimate.posterior import moving, tension_of
from lashwave.estimate.setup import FitSetup
from lashwave.instruments import few_seen
from lashwave.mechanics import (
    TOO_SOFT,
    Law,
    Medium,
    budget,
    elongation,
    hand_power,
    kinetic_energy,
    lasting,
    range_warnings,
)
from lashwave.quantities import (
    DISTRUSTED,
    Array,
    Line,
    Mask,
    NotConvergedError,
    Residuals,
)

TOO_MANY = 0.08
"""Share of distrusted sightings that is worth a warning."""
HOPELESS = (0.4, 0.25)
"""Share of distrusted marker samples at which no motion is given: alone, and where a camera with
most of its points distrusted says the same."""
MOST = 0.5


def whiteness(residual: Array) -> float:
    """Mean lag-one correlation [1] of whitened residuals (T, L, 3) [sd] along time; 0 = white."""
    a, b = residual[:-1], residual[1:]
    both = np.isfinite(a) & np.isfinite(b)
    if not both.any():
        return 0.0
    a, b = np.where(both, np.clip(a, -5, 5), 0.0), np.where(both, np.clip(b, -5, 5), 0.0)
    return float((a * b).sum() / max(np.sqrt((a * a).sum() * (b * b).sum()), 1e-30))


def distrust(joint: Joint) -> tuple[float, float]:
    """Shares of distrusted sightings: of the markers', and the greatest of a camera's.

    1 where no marker sample is used; a camera whose points all lie outside the record is no judge.
    """
    seen = joint.seen
    cameras = [
        _share(seen.camera[name], weight)
        for name, weight in joint.weights.camera.items()
        if np.isfinite(seen.camera[name]).any()
    ]
    return _share(seen.marker, joint.weights.marker), max(cameras, default=0.0)


IMPLAUSIBLE = 0.2
"""Share of distrusted sightings above which another start is tried; stray samples and ghosts may
well be a tenth. So it is for a motion with more energy than it was given, or against a marker for
long."""


def against_of(joint: Joint) -> Mask:
    """(T, L), which samples stand in rows against the motion, as `in_rows` has them."""
    used = np.asarray(np.isfinite(joint.seen.marker).any(-1))
    return in_rows(used & (joint.weights.marker < DISTRUSTED), used)


def left_of(setup: FitSetup, rows: Mask) -> Mask:
    """(T, L), which of the rows against a motion, as of `against_of`, are of a track that was with
    it before and left it without a jump: no label was exchanged there."""
    if setup.linked is None:
        return np.zeros_like(rows)
    used = np.asarray(np.isfinite(setup.trial.markers.position).any(-1))
    return np.asarray(rows & ~off_track(rows, setup.linked, used))


def implausibility(setup: FitSetup, joint: Joint) -> float:
    """How doubtful a fit is: its greatest share of distrusted sightings; over `IMPLAUSIBLE` where
    samples in a row are, and over 1 where it has more energy than it was given."""
    energy = float(energy_share(setup, joint).max())
    rows = against_of(joint)
    lost = IMPLAUSIBLE + float(rows.mean()) if rows.any() else 0.0
    return max(*distrust(joint), energy if energy > 1.0 else 0.0, lost)


def _share(residual: Array, weight: Array) -> float:
    used = np.isfinite(residual).any(-1)
    return float(np.mean(weight[used] < DISTRUSTED)) if used.any() else 1.0


def residuals_of(setup: FitSetup, joint: Joint) -> Residuals:
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


def warnings_of(setup: FitSetup, joint: Joint) -> tuple[str, ...]:
    """What the user must know; raises NotConvergedError where nothing can be believed."""
    found = []
    seen = joint.seen
    distrusted, by_camera = distrust(joint)
    if distrusted > HOPELESS[int(by_camera > MOST)]:
        raise NotConvergedError(
            f"{100 * distrusted:.0f} % of the marker samples contradict the motion that was found, "
            f"most of all {contradicting(setup, joint)}; "
            "check labels, stations, units and the line's mass and stiffness"
        )
    if distrusted > TOO_MANY:
        found.append(
            f"{100 * distrusted:.0f} % of the marker samples are distrusted, most of all "
            f"{contradicting(setup, joint)}; the motion may be wrong"
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
    found.extend(stretch.words for stretch in few_seen(setup.trial))
    found.extend(joint.clock_warnings)
    found.extend(_clock_warnings(setup, joint))
    if joint.stand_off > 0:
        found.append(
            f"by the motion, markers stand some {1e3 * joint.stand_off:.1f} mm off the line's "
            "axis; nothing was stated: give `stand_off` under [markers] if it is known"
        )
    if setup.stiffness.guessed:
        found.append(
            "bending stiffness was neither measured nor stated; it was "
            f"{setup.stiffness.words}, and fitted with the motion"
        )
    if setup.trial.line.axial_stiffness is not None:
        pull = tension_of(setup, joint.path, joint.density, joint.path.node)
        found.extend(stretch_warnings(setup.trial.line, setup.chain.station, joint.path.time, pull))
    found.extend(drag_warnings(setup, joint))
    return tuple(found)


def drag_warnings(setup: FitSetup, joint: Joint) -> tuple[str, ...]:
    """Where the motion leaves the range in which air drag was measured."""
    m, direction = moving(setup, joint.path, joint.density), joint.path.direction
    middle = 0.5 * (m.velocity[:, 1:] + m.velocity[:, :-1])
    along = (middle * direction).sum(-1, keepdims=True) * direction
    across = np.linalg.norm(middle - along, axis=-1)[:, setup.chain.handle_links :]
    diameter = setup.chain.diameter[setup.chain.handle_links :]
    air = Medium(*setup.air)
    return range_warnings(
        joint.path.time, across, diameter, air.density, air.viscosity, air.sound_speed
    )


def stretch_warnings(line: Line, station: Array, time: Array, tension: Array) -> tuple[str, ...]:
    """How far the fitted pull (K, N) [N] would stretch a line whose axial stiffness is stated.

    Raises NotConvergedError where it is no line that keeps its length.
    """
    if line.axial_stiffness is None:
        return ()
    longer = elongation(line, station, tension)
    lasts = lasting(time, longer)
    if lasts > TOO_SOFT * (line.length - line.handle_length):
        raise NotConvergedError(
            f"by its axial_stiffness the fitted pull would stretch the line {1e3 * lasts:.0f} mm; "
            "lines are taken as unstretchable, and this one is not"
        )
    return (
        f"the line is taken as unstretchable; by its axial_stiffness the fitted pull stretches it "
        f"by {1e3 * lasts:.2g} mm ({1e3 * float(longer.max()):.2g} mm at the hardest moment)",
    )


def energy_share(setup: FitSetup, joint: Joint) -> Array:
    """(K,), what the motion holds and has lost over the most that it can have been given, no unit.

    Held is its kinetic energy, lost is what air and the line's friction took; given is the kinetic
    energy at the start, the most work of the hand so far, and the weight's fall by twice the
    line's length. 0 where the far end is held, too, and works as well.
    """
    if setup.trial.line.ends == "held":
        return np.zeros(joint.path.time.size)
    m = moving(setup, joint.path, joint.density)
    law = Law(*(float(s) for s in setup.law(joint.path.shared)))
    chain, air = setup.chain_at(joint.path.shared), Medium(*setup.air)
    state = (chain, m.node, m.velocity, m.acceleration, air, setup.gravity, law)
    kinetic, power, taken = kinetic_energy(chain, m.velocity), hand_power(*state), budget(*state)
    losing = taken.drag.sum(-1) + taken.tuft + taken.damping
    return share_of_given(joint.path.time, kinetic, power, fall_of(setup), losing)


def fall_of(setup: FitSetup) -> float:
    """The weight's fall by twice the line's length [J]."""
    weight = setup.node_mass.sum() * np.linalg.norm(setup.gravity)
    return float(2.0 * weight * setup.trial.line.length)


def contradicting(setup: FitSetup, joint: Joint) -> str:
    """The markers that contradict the motion most, each with the span in which it does."""
    markers, weight = setup.trial.markers, joint.weights.marker
    used = np.asarray(np.isfinite(joint.seen.marker).any(-1))
    against = np.asarray(used & (weight < DISTRUSTED))
    order = np.argsort(-against.sum(axis=0), kind="stable")[:NAMED]
    named = []
    for label in order[against.sum(axis=0)[order] > 0]:
        when = markers.time[against[:, label]]
        share = against[:, label].sum() / used[:, label].sum()
        named.append(f"{markers.labels[label]} ({share:.0%}, {when[0]:.3f} to {when[-1]:.3f} s)")
    return ", ".join(named)


def hint_of(setup: FitSetup, joint: Joint) -> str:
    """Where to look when a motion is refused: what contradicts it, and what the grip lacks."""
    named = contradicting(setup, joint)
    parts = [f"most against it: {named}"] if named else []
    parts.extend(stretch.words for stretch in few_seen(setup.trial)[:1])
    return "; ".join([*parts, "check labels, stations and lost markers of the grip"])


def _clock_warnings(setup: FitSetup, joint: Joint) -> list[str]:
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
