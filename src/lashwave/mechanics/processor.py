"""Which of its own codes the BLAS of NumPy's and SciPy's wheels is to run on this processor.

OpenBLAS (0.3.30 and 0.3.31 in the wheels) does not know AMD's processors of family 26 and runs on
them what it has for Intel's of 2013, with words of 256 bits. They compute 512 bits at once: by the
code for such words a product of matrices takes 0.6 of the time.
"""

from __future__ import annotations

import os

SETTING = "OPENBLAS_CORETYPE"
WIDE = "SkylakeX"
"""OpenBLAS's name of its code for words of 512 bits."""
NEEDED = frozenset({"avx512f", "avx512cd", "avx512bw", "avx512dq", "avx512vl"})
FIRST = 26
"""Of AMD's families, which OpenBLAS does not know."""


def core_of(described: str) -> str | None:
    """What OpenBLAS is told of a processor, as Linux describes one; None where it knows best."""
    told = dict(line.partition(":")[::2] for line in described.splitlines() if ":" in line)
    known = {name.strip(): value.strip() for name, value in told.items()}
    family = known.get("cpu family", "")
    if known.get("vendor_id") != "AuthenticAMD" or not family.isdigit() or int(family) < FIRST:
        return None
    return WIDE if set(known.get("flags", "").split()) >= NEEDED else None


def choose_core(place: str = "/proc/cpuinfo") -> None:
    """Tell OpenBLAS, before it is loaded; what the user has set stays, elsewhere nothing is set."""
    if SETTING in os.environ:
        return
    try:
        with open(place, encoding="ascii", errors="replace") as description:
            core = core_of(description.read(8192).split("\n\n")[0])
    except OSError:
        return
    if core is not None:
        os.environ[SETTING] = core
