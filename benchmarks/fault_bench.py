"""A small bench for `make fuzz` and `make faults`: a swing that is quick to fit, and its sound.

The line hangs from a point and swings in its first mode: y = A J0(2 w sqrt(z / g)) cos(w t), z the
height over the free end, w = j sqrt(g / L) / 2 with the first zero j of J0 (D. Bernoulli 1738; in
Lamb, Hydrodynamics, section 178). So no simulation is needed, and a fit takes seconds.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import numpy as np
from scipy.special import j0, jn_zeros

from lashwave.files.swap import is_part
from lashwave.files.wav import write_wav
from lashwave.files.write_trial import write_trial
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Camera, Clock, Markers
from lashwave.quantities.trial import Trial

LENGTH, SWING, NOISE = 0.25, 0.02, 3e-4
RATE, SAMPLES = 500.0, 31
STATIONS = np.array([0.0, 0.08, 0.16, 0.24])
GRAVITY = 9.81
SOUND = """
[[microphones]]
file = "mic.wav"
position = [1.0, 0.0, 1.0]
clock = { offset = "0 s", offset_sd = "1 ms" }
"""


@dataclass(frozen=True)
class Bench:
    """Folders that a fault command works in."""

    root: Path
    trial: Path
    """Markers and sound."""
    seen: Path
    """The same with a camera's points, to be damaged."""
    answers: Path
    """Whole, and never written to."""


def swing(*, camera: bool) -> Trial:
    """The trial, with places that its own law gives."""
    random = np.random.default_rng(19)
    omega = 0.5 * jn_zeros(0, 1)[0] * np.sqrt(GRAVITY / LENGTH)
    height = LENGTH - STATIONS
    shape = j0(2.0 * omega * np.sqrt(height / GRAVITY))
    time = np.arange(SAMPLES) / RATE
    position = np.zeros((SAMPLES, STATIONS.size, 3))
    position[..., 0] = SWING * np.cos(omega * time)[:, None] * shape
    position[..., 2] = height
    position += NOISE * random.standard_normal(position.shape)
    line = Line(
        np.array([0.0, LENGTH]), np.array([3e-3, 3e-3]), np.array([8e-3, 8e-3]),
        np.array([1e-6, 1e-6]),
    )  # fmt: skip
    markers = Markers(
        time, ("M01", "M02", "M03", "M04"), position, np.full(position.shape[:2], NOISE), STATIONS
    )
    cameras = (_camera(),) if camera else ()
    return Trial("faults", line, markers, cameras=cameras, specimen="a cord", thrower="nobody")


def _camera() -> Camera:
    """A camera whose points are only there to be damaged."""
    frames = np.arange(0, 60)
    return Camera(
        name="tip-view", rate=1e3, size=(256, 256),
        projection=np.array([[400.0, 0, 0, 100], [0, 0, -400.0, 200], [0, 0, 0, 1]]),
        clock=Clock(0.0, 2e-3), sd=0.4, frame=frames, station=np.full(60, LENGTH),
        uv=np.full((60, 2), 120.0), point_sd=np.full(60, 0.4), flashes=np.arange(0, 60, 2),
    )  # fmt: skip


def command(*words: object) -> list[str]:
    """The real command as a list of words."""
    return [sys.executable, "-m", "lashwave.workbench.cli", *map(str, words)]


def call(*words: object, seconds: float = 600.0) -> subprocess.CompletedProcess[str]:
    """Run the real command to its end."""
    return subprocess.run(command(*words), capture_output=True, text=True, timeout=seconds)


def made(root: Path) -> Bench:
    """The bench in a folder; what stands there already is used again."""
    bench = Bench(root, root / "trial", root / "seen", root / "trial.answers")
    if not bench.trial.exists():
        write_trial(bench.trial, swing(camera=False))
        write_trial(bench.seen, swing(camera=True))
        heard = 1e-3 * np.random.default_rng(1).standard_normal(6_000)
        heard[3_000:3_040] += 0.5 * np.exp(-np.arange(40) / 8.0)
        for folder in (bench.trial, bench.seen):
            write_wav(folder / "mic.wav", heard, 100_000, 16)
            with (folder / "trial.toml").open("a") as stream:
                stream.write(SOUND)
    if not bench.answers.exists():
        done = call("reconstruct", bench.trial, "--out", bench.answers)
        if done.returncode:
            raise SystemExit(f"the bench's trial gives no answer: {done.stderr}")
    return bench


def copied(bench: Bench, root: Path) -> Bench:
    """The same bench in another folder, made anew."""
    emptied(root)
    root.mkdir()
    for one in (bench.trial, bench.seen, bench.answers):
        shutil.copytree(one, root / one.name)
    return Bench(root, root / bench.trial.name, root / bench.seen.name, root / bench.answers.name)


def hashes(folder: Path) -> dict[str, str]:
    """Hash of every file below a folder, what is half-written left out."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder)
        if path.is_file() and not any(is_part(part) for part in name.parts):
            found[name.as_posix()] = sha256(path.read_bytes()).hexdigest()
    return found


def leftover(*folders: Path) -> int:
    """Bytes of what is half-written in folders."""
    total = 0
    for folder in folders:
        for path in folder.rglob("*") if folder.is_dir() else ():
            if path.is_file() and any(is_part(p) for p in path.relative_to(folder).parts):
                total += path.stat().st_size
    return total


def emptied(path: Path) -> None:
    """Remove a folder or file and all in it, where it is there."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
