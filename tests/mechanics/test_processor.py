"""What OpenBLAS is told of a processor that it does not know, and that it is told nothing else."""

import json
import os
import subprocess
import sys

import pytest

from lashwave.mechanics.processor import SETTING, choose_core, core_of

FLAGS = "fpu avx2 avx512f avx512dq avx512cd avx512bw avx512vl avx512_bf16"


def described(vendor: str = "AuthenticAMD", family: str = "26", flags: str = FLAGS) -> str:
    """As /proc/cpuinfo has it."""
    said = f"processor\t: 0\nvendor_id\t: {vendor}\ncpu family\t: {family}\n"
    return f"{said}model\t\t: 2\nflags\t\t: {flags}\n"


def test_a_processor_of_amd_with_wide_words_is_named() -> None:
    assert core_of(described()) == "SkylakeX"


@pytest.mark.parametrize(
    "other",
    [
        {"vendor": "GenuineIntel"},
        {"family": "25"},
        {"family": ""},
        {"flags": FLAGS.replace("avx512vl ", "")},
    ],
)
def test_every_other_processor_is_left_to_openblas(other: dict[str, str]) -> None:
    assert core_of(described(**other)) is None
    assert core_of("") is None


def test_what_the_user_set_stays(tmp_path, monkeypatch) -> None:
    place = tmp_path / "cpuinfo"
    place.write_text(described() + "\n" + described("GenuineIntel", "6"))
    monkeypatch.setenv(SETTING, "Haswell")
    choose_core(str(place))
    assert os.environ[SETTING] == "Haswell"
    monkeypatch.delenv(SETTING)
    choose_core(str(tmp_path / "none"))
    assert SETTING not in os.environ
    choose_core(str(place))  # of the first of the processors
    assert os.environ.pop(SETTING) == "SkylakeX"


ASKED = """
import json, os
import lashwave
from lashwave.mechanics.processor import SETTING
import numpy, scipy.linalg
from threadpoolctl import threadpool_info
print(json.dumps([os.environ.get(SETTING), [one["architecture"] for one in threadpool_info()]]))
"""


def test_openblas_runs_what_it_was_told() -> None:
    """In a fresh process, both libraries; where nothing was told, nothing is asked of them."""
    bare = {name: value for name, value in os.environ.items() if name != SETTING}
    run = subprocess.run(
        [sys.executable, "-c", ASKED], env=bare, capture_output=True, text=True, check=True
    )
    told, running = json.loads(run.stdout)
    assert running
    assert told is None or set(running) == {told}
