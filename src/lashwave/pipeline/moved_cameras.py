"""Cameras that were moved since they were calibrated, by their marks or by the throw's own points:
said, and by marks registered anew."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from lashwave.instruments import in_view, project, project_jacobian
from lashwave.quantities import (
    Array,
    Camera,
    Frames,
    Index,
    InputError,
    Pictures,
    SomeOfFilm,
)

if TYPE_CHECKING:
    from lashwave.instruments import Moved

LOOKED_AT = 9
"""Images in which marks are looked for: what rests shows in few."""
DOT_SD, HAND_SD = 0.1, 0.5
"""Of an image coordinate of a mark that was found, and of one that was read by hand [px]."""
REACH, NEAR = 150.0, 6.0
"""How far a picture may have shifted for its marks to be found, and how far one mark then lies
from its dot at most [px]."""
AGREE = 0.6
"""Share of the marks in view that must show."""


@dataclass(frozen=True)
class CameraMove:
    """What a camera's marks say of it."""

    name: str
    text: str
    found: Moved | None
    """None where the marks could not be told."""
    registered: bool
    """Whether the trial asks for the camera as it stands now, and gets it."""

    @property
    def care(self) -> bool:
        """Whether a user has to do something about it."""
        unknown = self.found is None
        return unknown or (self.found is not None and self.found.moved and not self.registered)


def looked_at(pictures: Pictures) -> list[CameraMove]:
    """What the marks of each camera that has some say of it."""
    moves = []
    for camera in pictures.trial.cameras:
        if camera.marks is not None:
            moves.append(_move(camera, pictures.frames.get(camera.name)))
    return moves


def registered(pictures: Pictures) -> tuple[Pictures, list[CameraMove]]:
    """The trial with each camera as it stands now where it asks for that; and what was said.

    Raises InputError where a camera is to be registered by marks that cannot be told.
    """
    moves = looked_at(pictures)
    now = {m.name: m.found.camera for m in moves if m.registered and m.found is not None}
    trial = pictures.trial
    cameras = tuple(now.get(c.name, c) for c in trial.cameras)
    notes = tuple(f"camera {m.name}: {m.text}." for m in moves)
    trial = replace(trial, cameras=cameras, notes=(*trial.notes, *notes))
    return replace(pictures, trial=trial), moves


def by_points(pictures: Pictures) -> list[tuple[str, str, str]]:
    """What the throw's own points say of the cameras that show them: `note` where a moved one is
    used as it stands now, else `care`; of what; and the sentence, without its full stop."""
    ring = [c for c in pictures.trial.cameras if c.shows == "dots" and c.name in pictures.frames]
    if len(ring) < 3 or pictures.trial.markers.time.size:
        return []
    from lashwave.points import even_films, moved_by_points, own_view, said_of

    views = [own_view(camera, pictures.frames[camera.name]) for camera in ring]
    ring, films, _ = even_films([v[0] for v in views], [v[1] for v in views])
    move = moved_by_points(ring, films)
    if move is None:
        return []
    used = move.camera is not None and any(c.register for c in ring if c.name == move.name)
    return [("note" if used else "care", move.name or "cameras", said_of(move, ring))]


def _move(camera: Camera, film: Frames | None) -> CameraMove:
    from lashwave.instruments import moved_camera  # here: few cameras have marks

    marks = camera.marks
    assert marks is not None
    uv, sd = marks.uv, HAND_SD
    if not np.isfinite(uv).any():
        assert film is not None
        uv, sd = _found(camera, film), DOT_SD
    seen = np.flatnonzero(np.isfinite(uv[:, 0]))
    if seen.size < 2:
        text = f"{seen.size} of {len(uv)} marks are seen, so that it stayed cannot be said"
        if camera.register:
            raise InputError(
                "trial.toml", f"camera {camera.name}: {seen.size} of {len(uv)} marks are seen",
                "two register it at least; or leave register out", field="register",
            )  # fmt: skip
        return CameraMove(camera.name, text, None, registered=False)
    place = marks.place[seen]
    scale = np.linalg.norm(project_jacobian(camera, place), axis=(1, 2)) / np.sqrt(2.0)
    found = moved_camera(camera, place, uv[seen], np.hypot(sd, scale * marks.sd[seen]))
    return CameraMove(
        camera.name, _said(camera, found, seen.size, len(uv)), found,
        registered=found.moved and camera.register,
    )  # fmt: skip


def _said(camera: Camera, found: Moved, seen: int, given: int) -> str:
    """What was found, as a sentence without its full stop."""
    count = f"{int(found.used.sum())} of {given} marks"
    if seen > found.used.sum():
        count += f" ({seen - int(found.used.sum())} more are seen elsewhere)"
    if not found.moved:
        return f"it stands as it was calibrated: {count} are off by {found.off:.2f} px RMS"
    text = f"it was moved since it was calibrated: {count} are off by {found.off:.3g} px RMS, "
    text += f"{found.left:.2g} px as it stands now, {found.how}"
    if camera.register:
        return (
            f"{text}; it is used as it stands now, known to {found.camera.registration_sd:.2g} px"
        )
    return f"{text}; write register = true to use it so, or calibrate it anew"


def _found(camera: Camera, film: Frames) -> Array:
    """(K, 2) [px] images of the marks among a film's dots at rest; nan for one not seen."""
    from lashwave.pipeline.film_dots import film_dots
    from lashwave.points import own_view

    view, pictures = own_view(camera, film)
    marks = camera.marks
    assert marks is not None
    shown = sorted({round(k) for k in np.linspace(0, len(pictures) - 1, LOOKED_AT)})
    dots = film_dots(SomeOfFilm(pictures, tuple(shown))).still
    image = project(view, marks.place)
    whole = np.full(image.shape, np.nan)
    own = _told(view, image, dots)
    corner = np.zeros(2) if camera.window is None else camera.window.corner
    whole[own >= 0] = dots[own[own >= 0]] + corner
    return whole


def _told(view: Camera, image: Array, dots: Array) -> Index:
    """(K,) which dot each mark is, -1 for none: by the shift that puts most marks on dots.

    None is told where another shift puts as many there.
    """
    nowhere = np.full(len(image), -1)
    near = in_view(view, image, margin=-REACH)
    if not len(dots) or near.sum() < 2:
        return nowhere
    tried = (dots[None] - image[near][:, None]).reshape(-1, 2)
    tried = tried[np.hypot(*tried.T) < REACH]
    best: list[tuple[int, float, Array]] = []
    for shift in tried:
        away = np.linalg.norm(image[near][:, None] + shift - dots[None], axis=2)
        hits = int((away.min(axis=1) < NEAR).sum())
        best.append((hits, -float(np.hypot(*shift)), shift))
    if not best:
        return nowhere
    most, _, shift = max(best, key=lambda b: b[:2])
    inside = int(in_view(view, image + shift).sum())
    rival = [b for b in best if b[0] == most and np.hypot(*(b[2] - shift)) > 2 * NEAR]
    if most < max(2, AGREE * inside) or (rival and np.hypot(*shift) > NEAR):
        return nowhere
    away = np.linalg.norm(image[:, None] + shift - dots[None], axis=2)
    own = np.where(away.min(axis=1) < NEAR, away.argmin(axis=1), -1)
    twice = np.isin(own, [d for d in set(own.tolist()) if (own == d).sum() > 1])
    return np.where(twice, -1, own)
