"""The command `locate`: pictures and sound of a trial to sightings, and a trial that holds them.

A contact sheet for each camera shows what was found in some of its images.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from lashwave import __version__
from lashwave.pipeline import console
from lashwave.pipeline.contact_sheets import HEALTH as HEALTH, sheets
from lashwave.pipeline.health import cautions
from lashwave.quantities import (
    Array,
    Camera,
    Found,
    InputError,
    Located,
    LocatedMarkers,
    Markers,
    Onset,
    Pictures,
    Trial,
)

FEWEST = 20
"""Marker samples that a trial needs; the trial format's figure."""
KEPT = ".located"
"""Folder in --out that keeps what a stopped run had found."""
SHEET = 8
"""Images on a contact sheet."""


@dataclass
class Keeper:
    """What was found before a stop, part by part, so that it need not be found again."""

    folder: Path | None
    """None keeps nothing."""
    inputs: str
    """Of the hashes of all inputs; another trial's finds are of no use."""

    def get(self, part: str) -> object | None:
        """What was kept of a part; None where there is nothing of these inputs."""
        from lashwave.files import kept_finds

        return None if self.folder is None else kept_finds(self.folder / f"{part}.npz", self.inputs)

    def put(self, part: str, found: object) -> None:
        """Keep a part, whole or not at all."""
        from lashwave.files import keep_finds

        if self.folder is not None:
            self.folder.mkdir(parents=True, exist_ok=True)
            keep_finds(self.folder / f"{part}.npz", self.inputs, found)


def search(
    pictures: Pictures,
    show: console.Progress,
    kept_finds: Path | None = None,
    front_frames: tuple[int, int] | None = None,
) -> Found:
    """Everything that a trial's pictures and sound show; touches no disk but `kept_finds`.

    front_frames : first and last frame in which fronts are looked for (`points.locate_fast`).
    """
    from threadpoolctl import threadpool_limits

    source = Path(__file__).parents[1]
    inputs = [__version__, program_hash(source), front_frames, pictures.trial.hashes]
    keeper = Keeper(kept_finds, json.dumps(inputs, sort_keys=True))
    with threadpool_limits(limits=1):
        ring = _markers(pictures, show, keeper)
        markers = None if ring is None else ring.markers
        known = markers or pictures.trial.markers
        cameras = _fast(pictures, known, show, keeper, front_frames)
    onsets, said = _sounds(pictures)
    seen = tuple(note for located in cameras.values() for note in located.notes)
    if ring is None:
        return Found(cameras, onsets=onsets, notes=(*seen, *said))
    notes = (*ring.notes, *seen, *said)
    return Found(cameras, markers, ring.offsets, ring.placed, onsets, notes, ring.health)


FINDING = ("quantities", "files", "instruments", "mechanics", "labels", "points", "calibrate",
           "pipeline")  # fmt: skip
"""Rooms on which it depends what is found: how pictures are read, searched and joined."""


def program_hash(source: Path) -> str:
    """A hash of the rooms that find things: finds of a program that was changed are made again.

    source : the package's folder.
    """
    whole = hashlib.sha256()
    for room in FINDING:
        for file in sorted((source / room).rglob("*.py")):
            whole.update(file.relative_to(source).as_posix().encode() + b"\0" + file.read_bytes())
    return whole.hexdigest()


def _markers(pictures: Pictures, show: console.Progress, keeper: Keeper) -> LocatedMarkers | None:
    """From the cameras that show dots; None where there are none, or markers were given."""
    from lashwave.points import even_films, locate_markers, own_view

    ring = [c for c in pictures.trial.cameras if c.shows == "dots" and c.name in pictures.frames]
    if not ring or pictures.trial.markers.time.size:
        return None
    known = keeper.get("markers")
    if isinstance(known, LocatedMarkers):
        return known
    views = [own_view(camera, pictures.frames[camera.name]) for camera in ring]
    ring, films, said = even_films([v[0] for v in views], [v[1] for v in views])
    found = locate_markers(
        ring,
        films,
        pictures.trial.markers,
        pictures.trial.line.handle_length,
        lambda stage, share: show(stage, 0.6 * share),
        [c for c in pictures.trial.cameras if c.shows != "dots"],
    )
    exposure = float(np.mean([camera.exposure for camera in ring]))
    markers = replace(found.markers, exposure=exposure)
    corner = {c.name: c.window.corner for c in pictures.trial.cameras if c.window is not None}
    placed = tuple((n, _shifted(p, corner.get(n, np.zeros(2)))) for n, p in found.placed)
    found = replace(found, markers=markers, placed=placed, notes=(*said, *found.notes))
    keeper.put("markers", found)
    return found


def _shifted(projection: Array, corner: Array) -> Array:
    """A projection (3, 4) in pixels of a window whose corner (2,) stands there in the film [px]."""
    whole = np.eye(3)
    whole[:2, 2] = corner
    return whole @ projection


def _fast(
    pictures: Pictures,
    markers: Markers,
    show: console.Progress,
    keeper: Keeper,
    front_frames: tuple[int, int] | None,
) -> dict[str, Located]:
    from lashwave.mechanics import medium
    from lashwave.points import in_film, locate_fast, own_view

    sound = float(medium(pictures.trial.air).sound_speed)
    tufted = pictures.trial.line.tuft is not None
    found: dict[str, Located] = {}
    chosen = [c for c in pictures.trial.cameras if c.name in pictures.tip]
    for number, camera in enumerate(chosen):

        def part(stage: str, share: float, number: int = number, name: str = camera.name) -> None:
            show(f"{stage} in {name}", 0.6 + 0.4 * (number + share) / len(chosen))

        known = keeper.get(f"camera-{number}")
        if not isinstance(known, Located):
            try:
                view, images = own_view(camera, pictures.frames[camera.name])
                known = locate_fast(view, images, markers, sound, part, tufted, front_frames)
                known = in_film(camera, known)
            except InputError as fault:
                raise _of_camera(fault, camera.name) from None
            keeper.put(f"camera-{number}", known)
        found[camera.name] = known
    return found


def _of_camera(fault: InputError, name: str) -> InputError:
    """A fault of a camera's images, which know their file but not the camera, as the user's."""
    if fault.where != "frames":
        return fault
    return InputError("trial.toml", fault.problem, fault.remedy, field=f"frames of camera {name}")


def _sounds(pictures: Pictures) -> tuple[tuple[Onset, ...], tuple[str, ...]]:
    """Onsets, by time, and what there is to know about them."""
    from lashwave.points import locate_onset

    onsets: list[Onset] = []
    notes: list[str] = []
    for microphone in pictures.trial.microphones:
        sound = pictures.sounds.get(microphone.file)
        if sound is not None:
            onset, said = locate_onset(microphone, sound)
            onsets += [onset] if onset is not None else []
            notes += said
    return tuple(sorted(onsets, key=lambda o: o.time)), tuple(notes)


def joined(pictures: Pictures, found: Found) -> Trial:
    """The trial with what was found in place of what had not been searched.

    Raises InputError where there are too few markers to go on with.
    """
    trial = pictures.trial
    markers = found.markers if found.markers is not None else trial.markers
    seen = int(np.isfinite(markers.position[..., 0]).any(axis=1).sum()) if markers.time.size else 0
    if seen < FEWEST:
        raise InputError(
            "trial.toml",
            f"markers are found in {seen} images",
            f"expected at least {FEWEST}; look at the contact sheets of `lashwave locate`",
            field="markers",
        )
    cameras, notes = [], list(found.notes)
    for camera in trial.cameras:
        if camera.name in found.cameras:
            whole = _with_sightings(camera, found, pictures, markers)
            if whole is None:
                left = f"camera {camera.name} never shows the tip: left out"
                if found.cameras[camera.name].fronts is not None:
                    left += f"; its fronts are in {_fronts_file(camera.name)}, for you to use"
                notes.append(f"{left}.")
            else:
                cameras.append(whole)
        elif camera.frame.size:
            cameras.append(camera)
    onsets = trial.onsets or found.onsets
    return replace(
        trial,
        markers=markers,
        cameras=tuple(cameras),
        onsets=onsets,
        notes=(*trial.notes, *notes),
    )


def _with_sightings(
    camera: Camera, found: Found, pictures: Pictures, markers: Markers
) -> Camera | None:
    """The camera with what its images showed; a shift of the markers against it is one of its
    picture, which the fit has as an unknown. None where nothing is to be used."""
    from lashwave.points import pinned

    located = found.cameras[camera.name]
    if located.tip is None:
        return None
    none = np.empty(0, dtype=np.int64)
    whole = replace(
        camera,
        frame=located.tip.frame,
        station=np.full(located.tip.frame.size, pictures.tip[camera.name]),
        uv=located.tip.uv,
        point_sd=located.tip.sd,
        sd=float(np.median(located.tip.sd)),
        flashes=none if located.flashes is None else located.flashes,
        fronts=located.fronts,
        tuft=located.tuft,
        registration_sd=dict(found.offsets).get(camera.name, camera.registration_sd),
    )
    strobe = camera.strobe(markers.time)
    return pinned(whole, located.clock, float(strobe[1] - strobe[0]))


def _fronts_file(name: str) -> str:
    """The table of fronts of a camera that is left out of the trial."""
    return f"{name}-fronts.csv"


def run(
    trial: Path,
    out: Path,
    show: console.Progress,
    *,
    as_json: bool,
    front_frames: tuple[int, int] | None = None,
) -> int:
    """Search TRIAL and write OUT: a trial folder of what was found, and contact sheets.

    front_frames : first and last frame in which fronts are looked for.

    Raises InputError for a trial that names no images to search and no sound.
    """
    from lashwave.files import read_pictures, sweep
    from lashwave.pipeline.labelled import labelled
    from lashwave.pipeline.moved_cameras import registered

    for place in (out, out / KEPT):
        sweep(place)
    show("reading", 0.0)
    pictures, moves = registered(read_pictures(trial))
    pictures = replace(pictures, trial=labelled(pictures.trial))
    if not pictures.frames and not pictures.sounds:
        raise InputError(
            trial / "trial.toml", "names no images to search and no sound",
            "add frames to a camera", field="cameras",
        )  # fmt: skip
    found = search(pictures, show, out / KEPT, front_frames)
    whole = joined(pictures, found)
    said = tuple(f"camera {move.name}: {move.text}." for move in moves)
    notes = (*said, *whole.notes[len(pictures.trial.notes) :], *cautions(whole))
    _write(out, trial, pictures, found, whole)
    shutil.rmtree(out / KEPT, ignore_errors=True)
    if as_json:
        console.say(json.dumps(_record(out, found, notes), indent=1))
    else:
        for note in notes:
            console.say(note[0].upper() + note[1:])
        console.say(f"Sightings: {out}, a trial folder that `lashwave reconstruct` takes")
        if found.cameras or found.markers is not None:
            names = sorted(path.name for path in out.glob("*.png"))
            console.say(f"To judge by eye: {', '.join(names)}")
    return 0


def _record(out: Path, found: Found, notes: tuple[str, ...]) -> dict[str, object]:
    """What `--json` prints."""
    return {
        "out": str(out),
        "health": [
            {
                "camera": one.name,
                "rms_px": one.rms,
                "shift_px": one.shift.tolist(),
                "covered": float((one.count > 0).mean()),
            }
            for one in found.health
        ],
        "markers": [] if found.markers is None else list(found.markers.labels),
        "cameras": {
            name: {
                "tip": 0 if one.tip is None else int(one.tip.frame.size),
                "flashes": 0 if one.flashes is None else int(one.flashes.size),
                "fronts": 0 if one.fronts is None else int(np.unique(one.fronts.number).size),
                "tuft": 0 if one.tuft is None else int(one.tuft.frame.size),
                "clock": None if one.clock_health is None else one.clock_health.record(),
            }
            for name, one in found.cameras.items()
        },
        "onsets": {
            o.microphone: {"time": o.time, "sd": o.sd, "clipped": o.clipped} for o in found.onsets
        },
        "notes": list(notes),
    }


def _write(out: Path, source: Path, pictures: Pictures, found: Found, whole: Trial) -> None:
    """Write all or none; an earlier answer's files are replaced."""
    from lashwave.files import replace_folder, write_fronts, write_trial

    def fill(half: Path) -> None:
        write_trial(half, whole, source)
        kept = {camera.name for camera in whole.cameras}
        for name, one in found.cameras.items():
            if name not in kept and one.fronts is not None:
                write_fronts(half / _fronts_file(name), one.fronts)
        sheets(half, pictures, found, SHEET)

    replace_folder(out.resolve(), fill, others=True)
