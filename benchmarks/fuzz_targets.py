"""What `make fuzz` hands damaged input to: every reader, and every route of the server."""

from __future__ import annotations

import importlib
import json
import random
import shutil
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks import fault_bench, fuzz_mutations as mutations
from lashwave.quantities.errors import InputError

TOKEN = "a-token-of-the-fuzz"
LONGEST_LINE = 1000
"""Characters of a message that a user can still read."""


class Wrong(Exception):
    """An outcome that no user should see, in words."""


@dataclass(frozen=True)
class Target:
    """One kind of input: a file of a folder, or what a strategy draws."""

    name: str
    run: Callable[[object], bool]
    """Given what was drawn: whether it was taken; False where it was refused in one line."""
    inputs: Callable[[int, int], Iterator[object]]
    """Given how many and the seed."""
    share: float = 1.0
    """Of all inputs, against the others'."""


def refused(act: Callable[[], object]) -> bool:
    """Whether an act went well; False for one line to the user, Wrong for any other line."""
    try:
        act()
    except InputError as fault:
        line = str(fault)
        if len(line) > LONGEST_LINE or not all(c.isprintable() for c in line):
            raise Wrong(f"a line of {len(line)} characters: {line[:200]!r}") from None
        return False
    return True


def _damaged(data: bytes, *, text: bool) -> Callable[[int, int], Iterator[bytes]]:
    def inputs(count: int, start: int) -> Iterator[bytes]:
        yield data
        for i in range(1, count):
            yield mutations.mutated(data, random.Random(start * 1_000_003 + i), text=text)

    return inputs


def _values(count: int, start: int) -> Iterator[object]:
    got: list[object] = []
    mutations.drawn(mutations.odd_value(), count, start, got.append)
    yield from got


def of_file(
    path: Path, act: Callable[[], object], *, text: bool, share: float = 1.0, name: str = ""
) -> Target:
    """A file is damaged, `act` reads it, and the file is put back."""
    whole = path.read_bytes()

    def run(data: object) -> bool:
        path.write_bytes(data)  # type: ignore[arg-type]
        try:
            taken = refused(act)
            if data == whole and not taken:
                raise Wrong("the whole file is refused")
            return taken
        finally:
            path.write_bytes(whole)

    return Target(name or path.name, run, _damaged(whole, text=text), share)


def readers(root: Path) -> list[Target]:
    """Every reader of files of a trial, of instruments and of the program's own."""
    from lashwave.files.trial_folder import read_pictures, read_trial, read_with_faults
    from lashwave.intake.recognise import recognise
    from lashwave.pipeline import checkup

    trial = root / "rich"

    def checked() -> None:
        read_with_faults(trial)
        checkup.inspect(read_trial(trial))

    found = [of_file(trial / "trial.toml", checked, text=True, share=3)]
    for name in ("line.csv", "markers.csv", "tip-view.csv", "tip-view-flashes.csv", "fronts.csv",
                 "tuft.csv", "onsets.csv", "rich.mends.toml"):  # fmt: skip
        place = root / name if name.endswith("mends.toml") else trial / name
        found.append(of_file(place, checked, text=True))
    found += _instruments(root)
    found += _answers(root)
    raw = root / "raw"
    for path in sorted(p for p in raw.iterdir() if p.is_file()):
        text = path.suffix in (".csv", ".toml", ".tsv")
        found.append(
            of_file(path, lambda: recognise(raw), text=text, share=0.3, name=f"intake {path.name}")
        )
    seen = root / "pictured"
    found.append(
        of_file(seen / "trial.toml", lambda: read_pictures(seen), text=True, name="pictured.toml")
    )
    found.append(_quantities())
    found.append(of_toml(trial / "trial.toml", checked, "trial.toml of odd values", 2))
    return found


def _instruments(root: Path) -> list[Target]:
    """C3D, sound, stills, film, calibration."""
    from lashwave.files.c3d import read_c3d
    from lashwave.files.calibration_toml import read_calibration
    from lashwave.files.frame_files import open_frames
    from lashwave.files.source import Folder
    from lashwave.files.wav import read_wav

    raw = root / "raw"

    def frames(name: str) -> Callable[[], object]:
        def act() -> None:
            opened = open_frames(Folder(raw), name, "trial.toml", 1, "frames", (32, 24))
            for i in range(min(len(opened), 3)):
                opened[i]

        return act

    def calibration() -> object:
        return read_calibration(Folder(raw), "camera.toml", "trial.toml", 1, "calibration")

    found = [
        of_file(raw / "m.c3d", lambda: read_c3d(raw / "m.c3d", "m.c3d"), text=False, share=4),
        of_file(raw / "mic.wav", lambda: read_wav(raw / "mic.wav", "mic.wav"), text=False, share=2),
        of_file(raw / "camera.toml", calibration, text=True),
    ]
    for name in ("still.tif", "still.png", "film.avi"):
        found.append(of_file(raw / name, frames(name), text=False, share=1.5))
    return found


def _answers(root: Path) -> list[Target]:
    """What `reconstruct` and `locate` kept."""
    from lashwave.files.kept import kept_finds as kept
    from lashwave.files.summaries import read_summary

    answers, finds = root / "rich.answers", root / "finds.npz"

    def summary(value: object) -> bool:
        record = json.loads((answers / "summary.json").read_text())
        place = random.Random(repr(value)).choice(
            ["schema", "trial", "quantities", "warnings", "provenance", "one", "value"]
        )
        if place in ("one", "value"):
            name = next(iter(record["quantities"]))
            record["quantities"][name] = value if place == "one" else {"value": value}
        else:
            record[place] = value
        copy = root / "odd.answers"
        copy.mkdir(exist_ok=True)
        (copy / "summary.json").write_text(json.dumps(record), "utf-8", "surrogatepass")
        return refused(lambda: read_summary(copy))

    return [
        of_file(answers / "summary.json", lambda: read_summary(answers), text=True),
        Target("summary.json of odd values", summary, _values),
        *_netcdf(answers, "", 0.3),
        *_netcdf(root / "bare.answers", "bare ", 0.25),
        of_file(finds, lambda: kept(finds, "same"), text=False),
    ]


def _netcdf(answers: Path, name: str, share: float) -> list[Target]:
    """The NetCDF files of a folder of answers; bare ones have no hash of theirs beside them."""
    from lashwave.files.read_answers import read_draws, read_judgement, read_lists, read_motion

    acts = {
        "motion.nc": lambda: read_motion(answers),
        "answers.nc": lambda: read_lists(answers),
        "sightings.nc": lambda: read_judgement(answers),
        "samples.nc": lambda: list(read_draws(answers, 2)),
    }
    return [
        of_file(answers / file, act, text=False, share=share, name=name + file)
        for file, act in acts.items()
    ]


def _quantities() -> Target:
    from lashwave.quantities.units import SI, UnitError, heading, quantity

    def run(value: object) -> bool:
        taken = False
        for dimension in SI:
            try:
                quantity(value, dimension)
                taken = True
            except UnitError:
                continue
        try:
            heading(str(value))
        except UnitError:
            return False
        return taken

    return Target("quantities", run, _values)


def of_toml(path: Path, act: Callable[[], object], name: str, share: float = 1.0) -> Target:
    """One field of a TOML file gets an odd value, `act` reads it, and the file is put back."""
    import tomllib

    import tomlkit

    whole = path.read_text()

    def run(value: object) -> bool:
        table: Any = tomllib.loads(whole)
        draw = random.Random(repr(value))
        here = table
        while True:
            key = draw.choice(list(here) if isinstance(here, dict) else list(range(len(here))))
            if isinstance(here[key], dict | list) and here[key] and draw.random() < 0.7:
                here = here[key]
                continue
            here[key] = value
            break
        try:
            text = tomlkit.dumps(table)
        except Exception:  # no TOML can hold it: the value stands there as text
            here[key] = repr(value)[:500]
            text = tomlkit.dumps(table)
        path.write_text(text, "utf-8", "replace")
        try:
            return refused(act)
        finally:
            path.write_text(whole)

    return Target(name, run, _values, share)


def made(root: Path) -> None:
    """The folders that are damaged: a trial with all its tables, answers, instrument files."""
    from lashwave.files.kept import keep_finds as keep
    from lashwave.files.wav import write_wav
    from lashwave.files.write_trial import write_trial
    from tests.files.c3d_writer import write_c3d
    from tests.files.films import write_film
    from tests.workbench.conftest import swing

    trial, raw, pictured = root / "rich", root / "raw", root / "pictured"
    noun = replace(swing(), specimen="a cord")
    short = replace(noun.markers, time=noun.markers.time[:40], position=noun.markers.position[:40],
                    sd=noun.markers.sd[:40])  # fmt: skip
    camera = replace(noun.cameras[0], flashes=np.arange(4000, 4100, 40))
    noun = replace(noun, markers=short, cameras=(camera,))
    write_trial(trial, noun)
    heard = 1e-3 * np.random.default_rng(1).standard_normal(2_000)
    write_wav(trial / "mic.wav", heard, 100_000, 16)
    (trial / "fronts.csv").write_text(
        "frame,front,u [px],v [px],sd [px]\n"
        + "".join(f"{4000 + i // 4},1,{i},{i},0.5\n" for i in range(40))
    )
    (trial / "tuft.csv").write_text(
        "frame,width [m],width_sd [m]\n" + "".join(f"{4000 + i},0.004,0.001\n" for i in range(20))
    )
    (trial / "onsets.csv").write_text("microphone,time [s],time_sd [s]\nmic.wav,0.05,1e-5\n")
    text = (trial / "trial.toml").read_text()
    text = text.replace('points = "', 'fronts = "fronts.csv"\ntuft = "tuft.csv"\npoints = "', 1)
    (trial / "trial.toml").write_text(text + fault_bench.SOUND)
    (root / "rich.mends.toml").write_text(
        'schema = 1\n[[mend]]\nkind = "reject-marker"\nmarker = "M03"\nfrom = "0.01 s"\n'
        'to = "0.02 s"\n[[mend]]\nkind = "station"\nmarker = "M04"\nstation = "1.01 m"\n'
        '[[mend]]\nkind = "clock-offset"\ncamera = "tip-view"\n'
        'offset = "1 ms"\noffset_sd = "1 ms"\n'
    )
    _answers_of(trial, root / "rich.answers")
    (root / "bare.answers").mkdir()
    for path in (root / "rich.answers").glob("*.nc"):
        shutil.copy(path, root / "bare.answers")
    _raw(raw, trial, noun, write_c3d, write_film)
    shutil.copytree(trial, pictured)
    shutil.copy(raw / "film.avi", pictured / "film.avi")
    text = (pictured / "trial.toml").read_text()
    text = "\n".join(row for row in text.splitlines() if not row.startswith("points = "))
    text = text.replace("size = [1024, 1024]", 'size = [32, 24]\nframes = "film.avi"')
    (pictured / "trial.toml").write_text(text + "\n")
    keep(root / "finds.npz", "same", (noun.markers, 1, "text", None))


def _answers_of(trial: Path, out: Path) -> None:
    """Answers right in form, by the tests' stand-in for the fit: no kernel is compiled for them."""
    from lashwave.answers import answer, moments_of
    from lashwave.files.results import write_results
    from lashwave.files.trial_folder import read_trial
    from tests.workbench.conftest import Options, estimate

    noun = read_trial(trial)
    fit = estimate(noun, Options(), lambda stage, share: None)
    answers, lists, _ = answer(noun, fit, moments_of(noun, fit), {})
    files = {"report.html": b"<!doctype html><title>report</title>", "report.pdf": b"%PDF-"}
    write_results(out, fit, answers, lists, files, noun, {})


def _raw(raw: Path, trial: Path, noun: Any, write_c3d: Any, write_film: Any) -> None:
    """Instrument files as they come, for intake and for their readers."""
    import cv2
    import tifffile

    raw.mkdir()
    for name in ("line.csv", "markers.csv", "tip-view.csv", "mic.wav"):
        shutil.copy(trial / name, raw / name)
    write_c3d(raw / "m.c3d", 1e3 * noun.markers.position, list(noun.markers.labels))
    random_ = np.random.default_rng(3)
    pictures = [random_.integers(0, 255, (24, 32), dtype=np.uint8) for _ in range(3)]
    tifffile.imwrite(raw / "still.tif", np.stack(pictures), photometric="minisblack")
    cv2.imwrite(str(raw / "still.png"), pictures[0])
    write_film(raw / "film.avi", pictures)
    (raw / "camera.toml").write_text(
        'schema = 1\nprogram = "lashwave"\nsize = [32, 24]\n'
        "projection = [[400.0, 0.0, 0.0, 16.0], [0.0, 0.0, -400.0, 12.0], [0.0, 0.0, 0.0, 1.0]]\n"
        'registration_sd = "0.1 px"\nreprojection_sd = "0.2 px"\ndegrees_of_freedom = 10\n'
        'parameters = ["a", "b"]\ncovariance = [[1.0, 0.0], [0.0, 1.0]]\n'
    )


def ready() -> None:
    """Libraries imported once, before the workers are forked."""
    warnings.simplefilter("ignore")
    for name in ("av", "cv2", "h5netcdf", "pandas", "pint", "tifffile", "tomlkit", "xarray",
                 "starlette.testclient", "lashwave.serving.app"):  # fmt: skip
        importlib.import_module(name)
