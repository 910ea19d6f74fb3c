"""The house keeps its shape: imports run one way, and nothing grows past what fits in view.

The rules are those of `docs/rooms.md`. Imports are read, not run, and all of them count: at the
top of a module, inside a function, or for the type checker alone.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "src" / "lashwave"
MODULE_LINES = 400
FUNCTION_LINES = 60

ROOMS: dict[str, set[str]] = {
    "quantities": set(),
    "files": {"quantities"},
    "instruments": {"quantities"},
    "mechanics": {"quantities"},
    "labels": {"quantities"},
    "points": {"quantities", "instruments", "mechanics", "labels"},
    "calibrate": {"quantities", "instruments"},
    "estimate": {"quantities", "instruments", "mechanics"},
    "emission": {"quantities", "instruments", "mechanics"},
    "answers": {"quantities", "mechanics"},
    "twin": {"quantities", "instruments", "mechanics"},
    "study": {"quantities", "instruments", "mechanics", "estimate", "answers"},
    "report": {"quantities", "answers"},
    "pipeline": {
        "quantities",
        "files",
        "instruments",
        "mechanics",
        "labels",
        "points",
        "estimate",
        "emission",
        "answers",
        "report",
    },
    "intake": {"quantities", "files", "pipeline"},
    "serving": {"quantities", "files", "instruments", "answers", "pipeline", "intake"},
    "workbench": {
        "quantities",
        "files",
        "mechanics",
        "calibrate",
        "estimate",
        "answers",
        "twin",
        "study",
        "report",
        "pipeline",
        "intake",
        "serving",
    },
}
ROOMS["notebook"] = {"quantities", "files", "twin", "study", "report", "pipeline"}
ROOMS["__init__"] = {"mechanics"}


def modules(package: Path) -> dict[str, Path]:
    """Every module of a package by its dotted name; a package stands for its `__init__`."""
    found = {}
    for path in sorted(package.rglob("*.py")):
        parts = (package.name, *path.relative_to(package).with_suffix("").parts)
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def room_of(name: str) -> str:
    """The room of a dotted module name; the package's own door is `__init__`."""
    parts = name.split(".")
    return parts[1] if len(parts) > 1 else "__init__"


def targets(tree: ast.Module, name: str, is_package: bool, known: set[str]) -> Iterator[str]:
    """Modules of the package that a module imports, wherever the statement stands."""
    root = name.split(".")[0]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            wanted = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                here = name.split(".")
                up = here[: len(here) - node.level + is_package]
                base = ".".join([*up, *([node.module] if node.module else [])])
            wanted = [f"{base}.{alias.name}" for alias in node.names]
        else:
            continue
        for target in wanted:
            if target.split(".")[0] != root:
                continue
            while target not in known:
                target = target.rpartition(".")[0]
                if not target:
                    break
            if target and target != name:
                yield target


def arrows(package: Path) -> dict[str, set[str]]:
    """For each module, the modules of the package that it imports."""
    found = modules(package)
    return {
        name: set(
            targets(
                ast.parse(path.read_text(encoding="utf-8")),
                name,
                path.name == "__init__.py",
                set(found),
            )
        )
        for name, path in found.items()
    }


def forbidden(package: Path) -> list[str]:
    """Arrows between rooms that the table does not allow, and rooms that it does not name."""
    faults = []
    for name, imported in arrows(package).items():
        room = room_of(name)
        if room not in ROOMS:
            faults.append(f"{name} stands in no room")
            continue
        for target in sorted(imported):
            # The door holds the version alone, so anyone may read it.
            allowed = ROOMS[room] | {room, "__init__"}
            if room_of(target) not in allowed:
                faults.append(f"{name} imports {target}")
    return faults


def unused(package: Path) -> list[str]:
    """Arrows that the table allows and no import uses."""
    used = {
        (room_of(name), room_of(target))
        for name, imported in arrows(package).items()
        for target in imported
    }
    return [
        f"{room} may import {target}, and does not"
        for room, allowed in ROOMS.items()
        for target in sorted(allowed)
        if (room, target) not in used
    ]


def circles(package: Path) -> list[str]:
    """Modules that import each other, in however many steps."""
    graph = arrows(package)
    state: dict[str, int] = {}
    found: list[str] = []

    def visit(name: str, trail: list[str]) -> None:
        state[name] = 1
        for target in sorted(graph[name]):
            if state.get(target) == 1:
                loop = [*trail, name]
                found.append(" -> ".join([*loop[loop.index(target) :], target]))
            elif target not in state:
                visit(target, [*trail, name])
        state[name] = 2

    for name in graph:
        if name not in state:
            visit(name, [])
    return found


def lines_of(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function with its signature, its docstring left out."""
    count = (function.end_lineno or 0) - function.lineno + 1
    if ast.get_docstring(function) is not None:
        said = function.body[0]
        count -= (said.end_lineno or 0) - said.lineno + 1
    return count


def too_long(package: Path) -> list[str]:
    """Modules and functions over their size."""
    faults = []
    for name, path in modules(package).items():
        text = path.read_text(encoding="utf-8")
        if (count := len(text.splitlines())) > MODULE_LINES:
            faults.append(f"{name} has {count} lines; {MODULE_LINES} at most")
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                count = lines_of(node)
                if count > FUNCTION_LINES:
                    faults.append(f"{name}.{node.name} has {count}; {FUNCTION_LINES} at most")
    return faults


def test_every_arrow_is_allowed() -> None:
    assert forbidden(PACKAGE) == []


def test_every_allowed_arrow_is_used() -> None:
    assert unused(PACKAGE) == []


def test_the_page_of_rooms_says_the_same() -> None:
    page = (PACKAGE.parents[1] / "docs" / "rooms.md").read_text(encoding="utf-8")
    rows = [line.split("|")[1:-1] for line in page.splitlines() if line.startswith("| `")]
    written = {row[0].strip().strip("`"): row[2].strip() for row in rows}
    for room in set(ROOMS) - {"__init__"}:
        allowed = set(written[room].split(", ")) - {"nothing"}
        assert allowed == ROOMS[room], room


def test_no_circle() -> None:
    assert circles(PACKAGE) == []


def test_everything_fits_in_view() -> None:
    assert too_long(PACKAGE) == []


def test_every_room_exists_and_says_what_it_is() -> None:
    for room in set(ROOMS) - {"__init__"}:
        door = PACKAGE / room / "__init__.py"
        assert ast.get_docstring(ast.parse(door.read_text(encoding="utf-8"))), room


def invented(folder: Path, files: dict[str, str]) -> Path:
    """A small package to prove that the rules can be broken."""
    package = folder / "lashwave"
    for name, text in {"__init__.py": "", **files}.items():
        path = package / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        (path.parent / "__init__.py").touch()
    return package


@pytest.mark.parametrize(
    "statement",
    [
        "from lashwave.estimate.solve import go\n",
        "import lashwave.estimate.solve as s\n",
        "from lashwave.estimate import solve\n",
        "from ..estimate.solve import go\n",
        "def f():\n    from lashwave.estimate import solve\n",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from ..estimate import solve\n",
    ],
)
def test_a_forbidden_arrow_is_seen(tmp_path: Path, statement: str) -> None:
    package = invented(
        tmp_path, {"mechanics/a.py": statement, "estimate/solve.py": "def go(): ...\n"}
    )
    assert forbidden(package) == ["lashwave.mechanics.a imports lashwave.estimate.solve"]


def test_an_allowed_arrow_and_an_unknown_room(tmp_path: Path) -> None:
    files = {"mechanics/a.py": "from lashwave.quantities import b\n", "quantities/b.py": ""}
    assert forbidden(invented(tmp_path, files)) == []
    assert forbidden(invented(tmp_path, {"attic/a.py": ""})) == [
        "lashwave.attic stands in no room",
        "lashwave.attic.a stands in no room",
    ]


def test_an_arrow_that_no_code_uses_is_seen(tmp_path: Path) -> None:
    files = {"labels/a.py": "from lashwave.quantities import b\n", "quantities/b.py": ""}
    faults = unused(invented(tmp_path, files))
    assert "calibrate may import quantities, and does not" in faults
    assert not any(fault.startswith("labels") for fault in faults)


def test_a_circle_is_seen(tmp_path: Path) -> None:
    package = invented(
        tmp_path,
        {
            "files/a.py": "from . import b\n",
            "files/b.py": "def f():\n    from lashwave.files import c\n",
            "files/c.py": "import lashwave.files.a\n",
        },
    )
    assert circles(package) == [
        "lashwave.files.a -> lashwave.files.b -> lashwave.files.c -> lashwave.files.a"
    ]


def test_a_long_module_and_a_long_function_are_seen(tmp_path: Path) -> None:
    body = "    x = 1\n"
    text = '"""D."""\n'
    documented = 'def f():\n    """A\n    docstring.\n    """\n'
    package = invented(
        tmp_path,
        {
            "files/long.py": text + "x = 1\n" * MODULE_LINES,
            "files/just.py": text + "x = 1\n" * (MODULE_LINES - 1),
            "files/deep.py": documented + body * FUNCTION_LINES,
            "files/fits.py": documented + body * (FUNCTION_LINES - 1),
        },
    )
    assert too_long(package) == [
        "lashwave.files.deep.f has 61; 60 at most",
        "lashwave.files.long has 401 lines; 400 at most",
    ]
