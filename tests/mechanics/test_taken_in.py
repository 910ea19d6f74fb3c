"""Kernels that other kernels take in: no code of their own, the same numbers, the same errors."""

import re
import resource
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.taken_in import kernel_of


@compiled()
def root(x):
    if x < 0:
        raise ValueError("a root of less than nought")
    return x**0.5


@compiled()
def roots(values):
    found = np.empty_like(values)
    for i in range(values.size):
        found[i] = root(values[i])
    return found


@compiled()
def twice(values):
    both = np.empty((2, values.size))
    both[0] = roots(values)
    both[1, :2] = values
    return both


def test_a_caller_gives_the_numbers_of_its_parts_which_have_no_code():
    values = np.array([4.0, 9.0])
    assert twice(values).tolist() == [[2.0, 3.0], [4.0, 9.0]]
    assert not root.overloads and not roots.overloads  # only Python's own calls make any
    assert roots(values).tolist() == [2.0, 3.0]
    assert root(9.0) == 3.0
    assert twice(values).tolist() == [[2.0, 3.0], [4.0, 9.0]]


def test_an_error_deep_inside_is_raised_with_its_words():
    with pytest.raises(ValueError, match="a root of less than nought"):
        twice(np.array([1.0, -1.0]))


def test_a_slice_that_does_not_fit_is_refused():
    with pytest.raises(ValueError, match="cannot assign slice"):
        twice(np.array([1.0, 2.0, 3.0]))


def test_numba_is_as_before_afterwards():
    from numba.core.codegen import JITCodeLibrary
    from numba.core.registry import cpu_target
    from numba.np import arrayobj

    with pytest.raises(ValueError, match="nought"):
        twice(np.array([1.0, -1.0]))
    assert type(cpu_target.target_context.codegen())._library_class is JITCodeLibrary
    assert arrayobj.raise_with_shape_context.__module__ == "numba.np.arrayobj"


@compiled(nogil=True)
def rows_summed(values):
    """By a view of each row, and one of each row before it in reverse."""
    total = 0.0
    for i in range(1, values.shape[0]):
        row, other = values[i], values[i - 1, ::-1]
        for j in range(row.size):
            total += row[j] * other[j]
    return total


def test_what_a_kernel_counts_is_its_own_among_threads():
    """The same array in four threads at once; numba's own atomic counts would wait for each other,
    shared plain ones would lose some."""
    values = np.arange(60.0).reshape(20, 3)
    held, expected = sys.getrefcount(values), float((values[1:] * values[:-1, ::-1]).sum())
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda _: rows_summed(values), range(2000)))
    assert set(found) == {expected}
    assert sys.getrefcount(values) == held
    code = "".join(rows_summed.inspect_asm().values())
    assert code and "NRT_incref" not in code and not re.search(r"^\s*lock\b", code, re.MULTILINE)


def test_memory_made_in_a_kernel_is_given_back():
    """A hundred megabytes a call, fifty times."""

    @compiled()
    def filled(size):
        made = np.ones(size)
        return made[1:].sum()

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert {filled(12_500_000) for _ in range(50)} == {12_499_999.0}
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 400_000  # kB


KEPT = """
import numpy as np
from tests.mechanics.test_taken_in import twice
print(twice(np.array([4.0, 9.0])).tolist(), sum(twice.stats.cache_hits.values()))
try:
    twice(np.array([1.0, -1.0]))
except ValueError as fault:
    print(fault)
"""


def test_what_was_kept_is_found_by_the_next_process(tmp_path, monkeypatch):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    said = [
        subprocess.run([sys.executable, "-c", KEPT], capture_output=True, text=True, check=True)
        for _ in range(2)
    ]
    words = "[[2.0, 3.0], [4.0, 9.0]] {}\na root of less than nought\n"
    assert [s.stdout for s in said] == [words.format(0), words.format(1)]


def test_functions_stay_as_they_are_where_numba_is_switched_off(monkeypatch):
    import numba

    monkeypatch.setattr(numba.config, "DISABLE_JIT", True)
    assert kernel_of(plain) is plain


def plain() -> None: ...
