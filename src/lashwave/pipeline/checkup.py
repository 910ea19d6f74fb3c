"""The command `check`: is this trial usable, what is wrong with it, how good is it."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from lashwave.instruments import few_seen
from lashwave.mechanics import TOO_SOFT, hanging_strain, known_stiffness
from lashwave.pipeline import console, health
from lashwave.pipeline.expected import expected_of
from lashwave.quantities import InputError, Source, Trial, counted

VERDICTS = {"note": "usable", "care": "usable with care", "fault": "not usable"}
LEVELS = ("note", "care", "fault")
LIGHTEST, HEAVIEST = 50.0, 20_000.0
"""Of what lines are made of, from loose foam to tungsten [kg/m3]."""
REST_SAMPLES = 25
"""Samples of a stretch in which the line may be at rest."""
STILL = 3e-3
"""A line at rest moves less in such a stretch [m]."""


@dataclass(frozen=True)
class Finding:
    """One thing to know about a trial."""

    level: str
    """note, care or fault."""
    about: str
    text: str


@dataclass(frozen=True)
class Checkup:
    """What was found."""

    trial: Trial
    markers: list[health.MarkerHealth]
    spacings: list[health.MarkerSpacing]
    cameras: list[health.CameraHealth]
    findings: list[Finding]

    @property
    def verdict(self) -> str:
        """usable, usable with care, or not usable."""
        worst = max((LEVELS.index(f.level) for f in self.findings), default=0)
        return VERDICTS[LEVELS[worst]]

    @property
    def fault(self) -> Finding | None:
        """The first reason why the trial cannot be used."""
        return next((f for f in self.findings if f.level == "fault"), None)


def inspect(trial: Trial) -> Checkup:
    """Everything that can be said before any reconstruction."""
    if not trial.markers.time.size:
        text = "still in the pictures: `lashwave locate` or `reconstruct` finds them"
        notes = [Finding("note", "reading", note) for note in trial.notes]
        return Checkup(trial, [], [], [], [Finding("care", "markers", text), *notes])
    markers = health.of_markers(trial.markers)
    spacings = health.of_spacings(trial.markers)
    cameras = [health.of_camera(camera, trial.markers.rate) for camera in trial.cameras]
    findings = [
        *_line_findings(trial),
        *_marker_findings(trial, markers),
        *_label_findings(trial, spacings),
        *_camera_findings(trial, cameras),
        *(Finding("note", "reading", note) for note in trial.notes),
    ]
    findings.sort(key=lambda f: -LEVELS.index(f.level))
    return Checkup(trial, markers, spacings, cameras, findings)


def inspect_as_read(trial: Trial) -> Checkup:
    """The same of a trial as its files give it: markers are labelled first, as for a run."""
    from lashwave.pipeline.labelled import labelled

    return inspect(labelled(trial))


def refuse_unusable(trial: Trial, where: Path | str) -> None:
    """Raise InputError where the trial cannot be used at all."""
    fault = inspect(trial).fault
    if fault is not None:
        raise InputError(where, fault.text, "see `lashwave check`", field=fault.about)


def _line_findings(trial: Trial) -> list[Finding]:
    """The table: mass, stiffness source, what outweighs what near the tip."""
    line, found = trial.line, []
    stiffness = known_stiffness(line)
    if stiffness.source is not Source.COLUMN:
        level = "care" if stiffness.guessed else "note"
        text = f"no stiffness column: bending stiffness is {stiffness.words}"
        found.append(Finding(level, "line", text))
    found += [*_stretch_findings(trial), *_density_findings(trial), *_gravity_findings(trial)]
    last = line.length - line.handle_length
    near_tip = np.linspace(line.length - 0.1 * last, line.length, 65)
    tip_mass = float(np.trapezoid(np.interp(near_tip, line.station, line.linear_density), near_tip))
    there = int((trial.markers.station > near_tip[0]).sum())
    if there * trial.markers.mass > 0.5 * tip_mass:
        text = (
            f"markers in the last tenth weigh {1e3 * there * trial.markers.mass:.2g} g, "
            f"the line there {1e3 * tip_mass:.2g} g: they change the throw"
        )
        found.append(Finding("note", "markers", text))
    return found


def _density_findings(trial: Trial) -> list[Finding]:
    """Mass over volume of the table: a slip of ten in a diameter shows here."""
    line = trial.line
    density = line.linear_density / (0.25 * np.pi * line.diameter**2)
    middle = float(np.median(density))
    if LIGHTEST <= middle <= HEAVIEST:
        return []
    text = (
        f"diameter and linear_density make a material of {middle:.3g} kg/m3, expected "
        f"{LIGHTEST:g} to {HEAVIEST:g}: check both columns and their units"
    )
    return [Finding("care", "line", text)]


def _gravity_findings(trial: Trial) -> list[Finding]:
    """A line at rest hangs along gravity: where it stands against it, the sign is wrong."""
    markers, gravity = trial.markers, trial.gravity
    on_line = np.flatnonzero(~markers.on_handle)
    order = on_line[np.argsort(markers.station[on_line])]
    size = float(np.linalg.norm(gravity))
    if order.size < 2 or size == 0.0:
        return []
    ends = markers.position[:, [order[0], order[-1]]]
    ends = ends[np.isfinite(ends).all(axis=(1, 2))]
    best = None
    for begin in range(0, len(ends) - REST_SAMPLES, REST_SAMPLES):
        some = ends[begin : begin + REST_SAMPLES]
        moved = float(np.ptp(some, axis=0).max())
        if moved < STILL and (best is None or moved < best[0]):
            best = (moved, some.mean(axis=0))
    if best is None:
        return []
    chord = best[1][1] - best[1][0]
    if float(chord @ gravity) > -0.9 * size * float(np.linalg.norm(chord)):
        return []
    text = "gravity points the way in which the line at rest stands up: check its sign"
    return [Finding("care", "gravity", text)]


def _stretch_findings(trial: Trial) -> list[Finding]:
    """The model's line keeps its length: by its stated axial stiffness, may it?"""
    line = trial.line
    if line.axial_stiffness is None:
        return []
    strain = hanging_strain(line, float(np.linalg.norm(trial.gravity)))
    stretch = float(np.trapezoid(strain, line.station))
    own = f"its own weight stretches it by {1e3 * stretch:.2g} mm"
    if strain.max() > TOO_SOFT:
        text = (
            f"axial_stiffness: hanging, {own}, {strain.max():.1%} at the grip; lines are taken as "
            f"unstretchable, which one softer than {TOO_SOFT:.0%} is not"
        )
        return [Finding("fault", "line", text)]
    level = "note" if stretch < float(np.nanmedian(trial.markers.sd)) else "care"
    text = f"axial_stiffness: hanging, {own}; it is taken as unstretchable"
    return [Finding(level, "line", text)]


def _marker_findings(trial: Trial, markers: list[health.MarkerHealth]) -> list[Finding]:
    """Coverage, gaps and noise against what is stated."""
    found = []
    count = trial.markers.time.size
    usable = [m for m in markers if np.isfinite(m.station) and m.coverage * count >= 20]
    if len(usable) < 2:
        text = (
            f"{counted(len(usable), 'marker')} of the line can be used (seen in 20 samples or "
            "more); 2 are needed"
        )
        found.append(Finding("fault", "markers", text))
    for m in markers:
        if m.coverage == 0.0:
            found.append(Finding("care", m.label, "never seen"))
        elif m.coverage < 0.5:
            found.append(Finding("care", m.label, f"seen in {m.coverage:.0%} of the samples"))
        if m.noise > 3.0 * m.stated:
            text = (
                f"scatters by {1e3 * m.noise:.2g} mm where it moves least; "
                f"{1e3 * m.stated:.2g} mm stated"
            )
            found.append(Finding("care", m.label, text))
        elif m.noise < m.stated / 3.0:
            text = f"scatters by only {1e3 * m.noise:.2g} mm; {1e3 * m.stated:.2g} mm stated"
            found.append(Finding("note", m.label, text))
    return found + _grip_findings(trial)


def _grip_findings(trial: Trial) -> list[Finding]:
    """Whether the hand's motion is seen."""
    markers = trial.markers
    on_line = markers.station <= trial.line.handle_length
    on_grip = np.asarray(markers.on_handle | on_line)
    if not on_grip.any():
        first = float(np.nanmin(markers.station)) if np.isfinite(markers.station).any() else 0.0
        if trial.line.handle_length == 0.0 and first < 0.1 * trial.line.length:
            return []
        return [
            Finding("care", "grip", "no marker on the grip; the hand's force will be poorly known")
        ]
    found = [Finding("care", "grip", stretch.words) for stretch in few_seen(trial)]
    places = np.isfinite(markers.position[:, on_grip]).all(axis=-1)
    seen = np.asarray(places).any(axis=1)
    if seen.mean() < 0.98:
        text = f"no marker of the grip is seen in {1 - seen.mean():.0%} of the samples"
        found.append(Finding("care", "grip", text))
    return found


def _label_findings(trial: Trial, spacings: list[health.MarkerSpacing]) -> list[Finding]:
    """Stations, units and labels that contradict the distances seen."""
    found = []
    known = [s for s in spacings if s.together >= 20]
    wrong = [s for s in known if s.too_long > 0.5 and s.largest > 1.5 * s.arc]
    if known and 2 * len(wrong) > len(known):
        ratio = float(np.median([s.largest / s.arc for s in wrong]))
        text = (
            f"{len(wrong)} of {len(known)} neighbouring pairs are some {ratio:.3g} times further "
            "apart than the line between them is long: wrong unit or stations"
        )
        return [Finding("fault", "markers.stations", text)]
    for s in known:
        pair = " to ".join(s.labels)
        if s.too_long > 0.2:
            text = (
                f"up to {1e3 * s.largest:.1f} mm apart on {1e3 * s.arc:.1f} mm of line: stations?"
            )
            found.append(Finding("care", pair, text))
        elif s.too_long > 0.002:
            text = f"further apart than the line is long in {s.too_long:.1%} of samples: ghosts?"
            found.append(Finding("note", pair, text))
    if known and max(s.largest / s.arc for s in known) < 0.3:
        found.append(Finding("care", "markers", "no two markers ever come near their arc: unit?"))
    for a, b, moments in health.swap_suspects(trial.markers):
        found.append(
            Finding("note", f"{a}, {b}", f"labels seem exchanged {counted(moments, 'time')}")
        )
    for a, b, share in health.duplicates(trial.markers):
        found.append(Finding("care", f"{a}, {b}", f"at one place in {share:.0%} of samples"))
    return found


def _camera_findings(trial: Trial, cameras: list[health.CameraHealth]) -> list[Finding]:
    """Points, clock and flashes of each camera."""
    found = []
    if not any(c.points for c in cameras):
        text = "no camera point: the tip's motion rests on mechanics beyond the last marker"
        found.append(Finding("note", "cameras", text))
    begin, end = float(trial.markers.time[0]), float(trial.markers.time[-1])
    for camera, c in zip(trial.cameras, cameras, strict=True):
        if not c.points:
            continue
        reach = 4.0 * camera.clock.offset_sd
        if c.first > end + reach or c.last < begin - reach:
            text = (
                f"its points fall at {c.first:.3f} to {c.last:.3f} s, outside the markers' record"
            )
            found.append(Finding("care", c.name, text))
        if c.outside:
            found.append(
                Finding("care", c.name, f"outside the image: {counted(c.outside, 'point')}")
            )
        if c.flash_misfit:
            text = f"off the markers' rhythm: {c.flash_misfit} of {c.flashes} flashes"
            found.append(Finding("care", c.name, text))
        if camera.clock.offset_sd > 5e-3 and not c.flashes:
            text = f"clock known to {1e3 * camera.clock.offset_sd:.3g} ms only and no flashes"
            found.append(Finding("care", c.name, text))
    return found


def as_record(checkup: Checkup) -> dict[str, object]:
    """The JSON object of `check --json`, SI."""
    trial = checkup.trial
    time = trial.markers.time
    return {
        "schema": 1,
        "trial": trial.name,
        "verdict": checkup.verdict,
        "samples": int(time.size),
        "rate": trial.markers.rate if time.size else None,
        "duration": float(time[-1] - time[0]) if time.size else None,
        "expected_cpu": expected_of(float(np.ptp(time))).cpu if time.size else None,
        "expected_memory": 1e9 * expected_of(float(np.ptp(time))).memory if time.size else None,
        "line_length": trial.line.length,
        "line_mass": float(np.trapezoid(trial.line.linear_density, trial.line.station)),
        "markers": [asdict(m) for m in checkup.markers],
        "spacings": [asdict(s) for s in checkup.spacings],
        "cameras": [asdict(c) for c in checkup.cameras],
        "findings": [asdict(f) for f in checkup.findings],
    }


def run(folder: Path, *, as_json: bool) -> int:
    """Read, inspect, print; status 0, or 2 where the trial is not usable.

    Where it cannot be read every fault is a line of standard error, in the order of trial.toml.
    """
    from lashwave.files import read_pictures, read_with_faults
    from lashwave.pipeline.moved_cameras import by_points, registered

    try:
        pictures, moves = registered(read_pictures(folder))
        cares = [Finding("care", move.name, move.text) for move in moves if move.care]
        cares += [Finding(*one) for one in by_points(pictures)]
        checkup = inspect_as_read(pictures.trial)
        checkup = replace(checkup, findings=_with_cares(checkup.findings, cares))
    except InputError as first:
        return _refused(read_with_faults(folder)[1] or [first], as_json)
    if as_json:
        console.say(json.dumps(finite(as_record(checkup)), indent=1, allow_nan=False))
    else:
        _print(checkup)
    if checkup.fault is None:
        return 0
    fault = InputError(
        folder, checkup.fault.text, "mend that and check again", field=checkup.fault.about
    )
    print(fault, file=sys.stderr)
    return 2


def _with_cares(findings: list[Finding], cares: list[Finding]) -> list[Finding]:
    """Findings with more of them, the gravest first, and none said twice."""
    said = {f"camera {one.about}: {one.text}." for one in cares}
    every = [*cares, *(one for one in findings if one.text not in said)]
    return sorted(every, key=lambda f: -LEVELS.index(f.level))


def _refused(faults: list[InputError], as_json: bool) -> int:
    """Say every fault; status 2."""
    if as_json:
        shown = ("where", "line", "field", "problem", "remedy")
        listed = [{key: getattr(fault, key) for key in shown} for fault in faults]
        console.say(
            json.dumps({"schema": 1, "verdict": VERDICTS["fault"], "faults": listed}, indent=1)
        )
    for fault in faults:
        print(fault, file=sys.stderr)
    return 2


def finite(value: object) -> object:
    """The same record with null for what is not a finite number, as JSON has no nan."""
    if isinstance(value, dict):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [finite(item) for item in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value


def _print(checkup: Checkup) -> None:
    """Verdict first, then findings, then the tables behind them."""
    trial, record = checkup.trial, as_record(checkup)
    console.say(f"{trial.name}: {checkup.verdict}")
    seen = ""
    if trial.markers.time.size:
        seen = f"{record['duration']:.3f} s at {record['rate']:.6g} Hz, "
    console.say(
        f"{seen}line {record['line_length']:.3f} m and "
        f"{1e3 * float(str(record['line_mass'])):.1f} g, {len(checkup.markers)} markers"
    )
    if trial.markers.time.size and checkup.fault is None:
        console.say(expected_of(float(np.ptp(trial.markers.time))).words)
    if checkup.findings:
        rows = [[f.level, f.about, f.text] for f in checkup.findings]
        console.table("Findings", ["level", "about", "what"], rows)
    rows = [
        [
            m.label,
            f"{m.station:.3f}" if np.isfinite(m.station) else "handle",
            f"{m.coverage:.1%}",
            f"{1e3 * m.longest_gap:.0f}",
            f"{1e3 * m.noise:.2f}" if np.isfinite(m.noise) else "-",
            f"{1e3 * m.stated:.2f}",
        ]
        for m in checkup.markers
    ]
    headings = ["marker", "station [m]", "seen", "longest gap [ms]", "scatter [mm]", "stated [mm]"]
    console.table("Markers", headings, rows)
    for c in checkup.cameras:
        console.say(
            f"camera {c.name}: {c.points} points in {c.frames} of {c.span} frames, "
            f"{c.first:.4f} to {c.last:.4f} s by its stated clock, {c.flashes} flashes"
        )
