"""What a stopped search had found: kept and read back the same, and never run."""

from __future__ import annotations

import os
import pickle
from pathlib import Path

import numpy as np
import pytest

from lashwave.files.kept import keep_finds, kept_finds
from lashwave.quantities.clock_fit import ClockFit
from lashwave.quantities.images import Located, TipTrack
from lashwave.quantities.sightings import Fronts, Markers, TuftWidths

WHOLE, PIXEL = np.array([3, 5]), np.array([[1.5, 2.25], [np.nan, 1e-300]])
LOCATED = Located(
    tip=TipTrack(WHOLE, PIXEL, np.array([0.1, 0.2])),
    flashes=WHOLE,
    clock=ClockFit(
        0.1, 1e-5, np.float64(0.0), 0.0, (0.09, 0.11), np.array([0.1]), np.zeros(1), np.True_, 1.0
    ),
    fronts=Fronts(WHOLE, WHOLE, PIXEL, np.ones(2)),
    tuft=TuftWidths(WHOLE, np.ones(2), np.ones(2)),
    notes=("camera tip: found; µ.",),
)
MARKERS = Markers(
    np.arange(3) / 500,
    ("A", "B"),
    np.full((3, 2, 3), 0.1),
    np.ones((3, 2)),
    np.array([0.1, np.nan]),
)


def same(a: object, b: object) -> bool:
    """Equal to the last bit, nouns, arrays and numbers alike."""
    if isinstance(a, np.ndarray):
        return isinstance(b, np.ndarray) and a.dtype == b.dtype and a.tobytes() == b.tobytes()
    if isinstance(a, tuple):
        return isinstance(b, tuple) and all(same(x, y) for x, y in zip(a, b, strict=True))
    if hasattr(a, "__dataclass_fields__"):
        return type(a) is type(b) and all(same(v, vars(b)[k]) for k, v in vars(a).items())
    return a == b


@pytest.mark.parametrize("found", [LOCATED, Located(), (MARKERS, ("a note.",))])
def test_it_comes_back_the_same_for_the_same_inputs_alone(tmp_path: Path, found) -> None:
    keep_finds(tmp_path / "part.npz", "inputs", found)
    assert same(found, kept_finds(tmp_path / "part.npz", "inputs"))
    assert kept_finds(tmp_path / "part.npz", "others") is None
    assert kept_finds(tmp_path / "none.npz", "inputs") is None
    assert [p.name for p in tmp_path.iterdir()] == ["part.npz"]


class Trap:
    """Touches a file when it is unpickled."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self):
        return os.mkdir, (str(self.path),)


def test_a_file_that_another_left_there_is_passed_over_and_runs_nothing(tmp_path: Path) -> None:
    part, sprung = tmp_path / "part.npz", tmp_path / "sprung"
    part.write_bytes(pickle.dumps(("inputs", Trap(sprung))))
    assert kept_finds(part, "inputs") is None
    np.savez(part, tree=np.array([Trap(sprung)], dtype=object), allow_pickle=True)
    assert kept_finds(part, "inputs") is None
    keep_finds(part, "inputs", LOCATED)
    part.write_bytes(part.read_bytes()[:-40])
    assert kept_finds(part, "inputs") is None
    text = b'{"inputs": "inputs", "found": {"noun": "Path", "parts": {}}}'
    np.savez(part, tree=np.frombuffer(text, dtype=np.uint8))
    assert kept_finds(part, "inputs") is None
    assert not sprung.exists()


def test_only_nouns_of_sightings_are_kept(tmp_path: Path) -> None:
    with pytest.raises(TypeError, match="Path"):
        keep_finds(tmp_path / "part.npz", "inputs", (tmp_path,))
    assert not list(tmp_path.iterdir())
