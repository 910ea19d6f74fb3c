"""Do the tests notice errors? Plants small ones, each in a copy of the tree, and counts.

Which modules, which operators and which tests stand in `tests/planted.toml`, beside the errors
that are planted by name and those that change nothing. The operators are cosmic-ray's. The sample
is drawn by a hash of file, line and change, so that it stays the same where the code does.

    python benchmarks/planted.py [--jobs 2] [--only ROOM] [--keep-killed] [--named]

Exit status 0 where every named error is found and so is the share asked for of the others.
"""

from __future__ import annotations

import argparse
import fnmatch
import hashlib
import json
import multiprocessing
import os
import resource
import shutil
import subprocess
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

import figures
from figures import Figure

ROOT = Path(__file__).resolve().parents[1]
WORK = ROOT / "build" / "planted"
PRELOAD = "numpy numba scipy.signal scipy.optimize scipy.interpolate scipy.sparse.linalg pandas"
PRELOAD += " pytest hypothesis xarray h5py matplotlib.pyplot pint cv2"
GREEN = 64  # exit status of a child whose tests are green; pytest's own is added to it
MEMORY = 6 << 30  # [bytes], of address: a planted error may ask for all there is


@dataclass(frozen=True)
class Mutant:
    """One planted error: the text of the file that has it, and what changed in its line."""

    room: str
    file: str
    was: str
    becomes: str
    text: str
    tests: tuple[str, ...] = ()
    what: str = ""

    @property
    def key(self) -> str:
        return hashlib.sha256(f"{self.file}|{self.was}|{self.becomes}".encode()).hexdigest()


def places(path: Path, operators: list[str]) -> Iterator[tuple[str, str, int]]:
    """Where an operator can change a file: its key, the operator's name and which place of its."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.plugins import get_operator

    text, name = path.read_text(), str(path.relative_to(ROOT))
    lines, nodes = text.splitlines(), list(ast_nodes(get_ast(text)))
    for operator in operators:
        change = get_operator(f"core/{operator}")().mutation_positions
        seen: Counter[str] = Counter()
        for occurrence, (line, _) in enumerate(s for n in nodes for s, _ in change(n)):
            was = lines[line - 1].strip()
            seen[was] += 1
            yield f"{name}|{operator}|{was}|{seen[was]}", operator, occurrence


def sample(room: dict, plan: dict) -> list[Mutant]:
    """The mutants of a room with the lowest hashes."""
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator

    files = sorted({f for pattern in room["modules"] for f in ROOT.glob(pattern)})
    found = [(f, *place) for f in files for place in places(f, plan["operators"])]
    found.sort(key=lambda row: hashlib.sha256(f"{plan['seed']}|{row[1]}".encode()).digest())
    out = []
    for path, _, operator, occurrence in found[: room["count"]]:
        text = path.read_text()
        changed = mutate_code(text, get_operator(f"core/{operator}")(), occurrence)
        pairs = zip(text.splitlines(), changed.splitlines(), strict=True)
        was, becomes = next((a.strip(), b.strip()) for a, b in pairs if a != b)
        out.append(Mutant(room["name"], str(path.relative_to(ROOT)), was, becomes, changed))
    return out


def named(plan: dict) -> list[Mutant]:
    """The errors that are planted by name; each must still fit the code at one place."""
    out = []
    for error in plan["named"]:
        text = (ROOT / error["file"]).read_text()
        if text.count(error["old"]) != 1:
            raise SystemExit(f"{error['what']}: its old text is not once in {error['file']}")
        changed = text.replace(error["old"], error["new"])
        change = (error["old"], error["new"], changed, tuple(error["tests"]), error["what"])
        out.append(Mutant("named", error["file"], *change))
    return out


def run_tests(copy: str, arguments: list[str], planted: bool) -> None:
    """The child: the tests of a copy, in a process that has the libraries already."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    os.chdir(copy)
    sys.path[:0] = [f"{copy}/src", copy]
    log = os.open(f"{copy}.log", os.O_CREAT | os.O_TRUNC | os.O_WRONLY)
    os.dup2(log, 1), os.dup2(log, 2)
    sys.dont_write_bytecode = planted  # compiled files are those of the sources as they are
    import pytest

    status = int(pytest.main(["-x", "-p", "no:cacheprovider", "--rootdir", copy, *arguments]))
    sys.stdout.flush()
    os._exit(GREEN + status)


def outcome(context, copy: Path, arguments: list[str], limit: float, planted=True) -> str:
    """Whether the tests of a copy stay green: "survived", "killed", or "killed" by time."""
    child = context.Process(target=run_tests, args=(str(copy), arguments, planted))
    child.start()
    child.join(limit)
    if child.exitcode is None:
        child.kill()
        child.join()
        return "killed: too long"
    if child.exitcode == GREEN:
        return "survived"
    if child.exitcode in (GREEN + 1, GREEN + 2) or child.exitcode < 0:  # red, or a crash
        return "killed"
    raise SystemExit(f"the tests do not run: {arguments}; see {copy}.log")


def copies(count: int) -> SimpleQueue[Path]:
    """Fresh copies of the tracked files and those not ignored."""
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", "-z"], cwd=ROOT, capture_output=True
    )
    free: SimpleQueue[Path] = SimpleQueue()
    for i in range(count):
        copy = WORK / f"copy-{i}"
        shutil.rmtree(copy, ignore_errors=True)
        for name in listed.stdout.decode().split("\0"):
            if (ROOT / name).is_file():
                (copy / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(ROOT / name, copy / name)
        subprocess.run([sys.executable, "-m", "compileall", "-q", copy / "src"], check=True)
        free.put(copy)
    return free


def arguments_of(mutant: Mutant, rooms: dict[str, dict]) -> list[str]:
    """The tests to run, those named as the module first."""
    if mutant.tests:
        return list(mutant.tests)
    room = rooms[mutant.room]
    own = f"*test_{Path(mutant.file).stem}*"
    files = sorted(room["files"], key=lambda f: not fnmatch.fnmatch(f, own))
    return [*files, *(f"--deselect={t}" for t in room.get("deselect", ()))]


def judge(mutant: Mutant, free: SimpleQueue[Path], context, rooms, limits) -> str:
    """Plant one error in a free copy, run its tests, mend the copy."""
    copy = free.get()
    path = copy / mutant.file
    good = path.read_text()
    try:
        for stale in (path.parent / "__pycache__").glob(f"{path.stem}.*"):
            stale.unlink()
        path.write_text(mutant.text)
        return outcome(context, copy, arguments_of(mutant, rooms), limits.get(mutant.room, 300))
    finally:
        path.write_text(good)
        free.put(copy)


def state_of_tree() -> str:
    """Hash of every source and test: results of another state do not count."""
    files = sorted([*ROOT.glob("src/lashwave/**/*.py"), *ROOT.glob("tests/**/*.py")])
    return hashlib.sha256(b"".join(f.read_bytes() for f in files)).hexdigest()[:16]


def kept(path: Path, state: str, keep_killed: bool) -> dict[str, str]:
    """Results of earlier runs that still count."""
    rows = [json.loads(row) for row in path.read_text().splitlines()] if path.exists() else []
    return {
        r["key"]: r["result"]
        for r in rows
        if r["state"] == state or (keep_killed and r["result"] != "survived")
    }


def run(todo: list[Mutant], jobs: int, rooms: dict[str, dict], file: Path, state: str) -> None:
    """Judge mutants in parallel, each result on disk at once, with the time left."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["__main__", *PRELOAD.split()])
    free, limits = copies(jobs), {}
    for name in sorted({m.room for m in todo} & set(rooms)):
        started, copy = time.monotonic(), free.get()
        whole = arguments_of(Mutant(name, "", "", "", ""), rooms)
        if outcome(context, copy, whole, 900, planted=False) != "survived":
            raise SystemExit(f"{name}: red without any planted error; see {copy}.log")
        free.put(copy)
        limits[name] = 20 + 5 * (time.monotonic() - started)
        print(f"{name}: green in {time.monotonic() - started:.1f} s", flush=True)
    started, score = time.monotonic(), Counter()
    with ThreadPoolExecutor(jobs) as pool, file.open("a") as out:
        futures = {pool.submit(judge, m, free, context, rooms, limits): m for m in todo}
        for n, future in enumerate(as_completed(futures), 1):
            mutant, result = futures[future], future.result()
            score[result] += 1
            out.write(json.dumps({"key": mutant.key, "result": result, "state": state}) + "\n")
            out.flush()
            left = (time.monotonic() - started) / n * (len(todo) - n)
            if result == "survived":
                print(f"? {mutant.file}\n  - {mutant.was}\n  + {mutant.becomes}", flush=True)
            if n % 10 == 0:
                seen = f"{n} of {len(todo)}, {score['survived']} survived"
                print(f"{seen}, {left / 60:.0f} min left", flush=True)


def no_effect(mutant: Mutant, entry: dict) -> bool:
    """Whether an entry of the errors that change nothing is this one; `has` is of any file."""
    if "has" in entry:
        return entry["has"] in mutant.becomes and entry["has"] not in mutant.was
    return all(getattr(mutant, k) == entry[k] for k in ("file", "was", "becomes"))


def report(plan: dict, planted: list[Mutant], results: dict[str, str]) -> bool:
    """Survivors, the count of each room, and last the share; whether all is as asked."""
    same = [m for m in planted if any(no_effect(m, e) for e in plan["equivalent"])]
    real = [m for m in planted if m not in same]
    for m in real:
        if results[m.key] == "survived":
            print(f"SURVIVED {m.file} {m.what}\n    - {m.was}\n    + {m.becomes}")
    for room in sorted({m.room for m in real}):
        got = [results[m.key] != "survived" for m in real if m.room == room]
        without = sum(m.room == room for m in same)
        print(f"{room}: {sum(got)} of {len(got)} found; {without} more change nothing")
    missed = [m for m in real if m.room == "named" and results[m.key] == "survived"]
    drawn = [results[m.key] != "survived" for m in real if m.room != "named"]
    share = sum(drawn) / len(drawn) if drawn else 1.0
    print(f"{sum(drawn)} of {len(drawn)} planted errors found, {100 * share:.1f} %")
    return share >= plan["share"] and not missed


def keep(plan: dict, planted: list[Mutant], results: dict[str, str]) -> None:
    """Keep the shares for docs/figures.md, those that change nothing left out."""
    real = [m for m in planted if not any(no_effect(m, e) for e in plan["equivalent"])]
    goal = 100 * plan["share"]
    rows = []
    for name in ("", *sorted({m.room for m in real})):
        own = [m for m in real if m.room == name or (not name and m.room != "named")]
        found = 100 * sum(results[m.key] != "survived" for m in own) / len(own)
        needed = 100.0 if name == "named" else goal
        what = f"planted errors that a test finds{name and ', '}{name} [%]"
        rows.append(Figure(what, "the code itself", len(own), found, None, f"{needed:g}",
                           found >= needed))  # fmt: skip
    figures.save("planted", "Planted errors", rows)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--only", help="one room")
    parser.add_argument("--named", action="store_true", help="only the errors with names")
    parser.add_argument("--keep-killed", action="store_true", help="while writing more tests")
    parser.add_argument("--keep", action="store_true", help="keep the figures for docs/figures.md")
    given = parser.parse_args()
    os.environ |= {"NUMBA_DISABLE_JIT": "1", "MPLBACKEND": "Agg"}
    plan = tomllib.loads((ROOT / "tests" / "planted.toml").read_text())
    rooms = {r["name"]: r for r in plan["room"]}
    for room in rooms.values():
        found = [p for pattern in room["tests"] for p in sorted(ROOT.glob(pattern))]
        room["files"] = [str(p.relative_to(ROOT)) for p in found]
    chosen = [r for n, r in rooms.items() if given.only in (None, n) and not given.named]
    planted = [m for room in chosen for m in sample(room, plan)]
    planted += named(plan) if given.only in (None, "named") else []
    WORK.mkdir(parents=True, exist_ok=True)
    file, state = WORK / "results.jsonl", state_of_tree()
    done = kept(file, state, given.keep_killed)
    todo = [m for m in planted if m.key not in done]
    print(f"{len(planted)} planted errors, {len(todo)} to run", flush=True)
    if todo:
        run(todo, given.jobs, rooms, file, state)
    results = kept(file, state, given.keep_killed)
    if given.keep:
        keep(plan, planted, results)
    return 0 if report(plan, planted, results) else 1


if __name__ == "__main__":
    sys.exit(main())
