"""The house's words: a name stands for one thing, and what is public says what it takes and gives.

Sources are read, not run. Each check has a list of what is still open; an entry that is no longer
needed fails too, so the lists only shrink.
"""

from __future__ import annotations

import ast
import functools
import json
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parents[1]
PACKAGE = REPOSITORY / "src" / "lashwave"
NUMBERS = {"Array", "Single", "NDArray", "ArrayLike"}
"""Annotations of arrays that carry a unit or have none."""
ARRAYS = NUMBERS | {"Mask", "Whole", "Index"}
UNIT = re.compile(
    r"\[(?:1|[^\[\]]*?(?:m|s|kg|N|J|W|Pa|K|Hz|rad|px|sd|dB|deg|°|%)[^\[\]]*)\]"
    r"|[Nn]o unit|[Aa]ny unit|unit (?:vector|direction)|[Dd]imensionless"
)
AXIS = r"(?:\.\.\.|(?:[A-Z0-9] [A-Za-z]\b|[A-Za-z0-9]\w*)(?: ?[-+*] ?\w+)?)"
SHAPE = re.compile(rf"\({AXIS}(?:, ?{AXIS})*,?\)|[Aa]ny shape|[Ss]hape")

Function = ast.FunctionDef | ast.AsyncFunctionDef

# What is still open, by room or by name. These lists only shrink.
CLASSES_OPEN: set[str] = set()
FILES_OPEN: set[str] = set()
ROOMS_OPEN: dict[str, set[str]] = {
    "without a unit": set(),
    "without a shape": set(),
    "raises silently": set(),
    "named by tests alone": set(),
    "past the door": set(),
}


@functools.cache
def sources(package: Path) -> dict[str, ast.Module]:
    """Every module of a package, parsed, by its path inside it."""
    return {
        path.relative_to(package).as_posix(): ast.parse(path.read_text(encoding="utf-8"))
        for path in sorted(package.rglob("*.py"))
    }


def room_of(path: str) -> str:
    """The room that a module stands in."""
    return path.split("/")[0].removesuffix(".py")


def twice(names: Iterator[tuple[str, str]]) -> dict[str, list[str]]:
    """Names that stand at more than one place, with the places."""
    places: dict[str, list[str]] = defaultdict(list)
    for name, place in names:
        places[name].append(place)
    return {name: at for name, at in sorted(places.items()) if len(at) > 1}


def classes_twice(package: Path) -> dict[str, list[str]]:
    """Names of classes that are given twice."""
    return twice(
        (node.name, path)
        for path, tree in sources(package).items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ClassDef)
    )


def files_twice(package: Path) -> dict[str, list[str]]:
    """Names of modules that are given twice."""
    return twice(
        (Path(path).stem, path) for path in sources(package) if Path(path).stem != "__init__"
    )


def public(tree: ast.Module) -> Iterator[tuple[str, Function]]:
    """Public functions, and public methods of public classes, with their names."""
    for node in tree.body:
        if isinstance(node, Function) and not node.name.startswith("_"):
            yield node.name, node
        elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            for method in node.body:
                if isinstance(method, Function) and not method.name.startswith("_"):
                    yield f"{node.name}.{method.name}", method


def annotations(function: Function) -> set[str]:
    """Words of a function's annotations, what it returns included."""
    given = function.args
    wanted = [*given.posonlyargs, *given.args, *given.kwonlyargs]
    nodes = [argument.annotation for argument in wanted] + [function.returns]
    return {
        word for node in nodes if node is not None for word in re.findall(r"\w+", ast.unparse(node))
    }


def raised(function: Function) -> bool:
    """Whether a function raises an error of its own, functions inside it left out."""
    open_nodes: list[ast.AST] = list(function.body)
    while open_nodes:
        node = open_nodes.pop()
        if isinstance(node, ast.Raise) and node.exc is not None:
            return True
        if not isinstance(node, Function | ast.ClassDef | ast.Lambda):
            open_nodes += ast.iter_child_nodes(node)
    return False


def is_command(function: Function) -> bool:
    """Whether a function is a command: its docstring is the help, which says no `Raises`."""
    given = [argument.annotation for argument in (*function.args.args, *function.args.kwonlyargs)]
    words = [*function.decorator_list, *(node for node in given if node is not None)]
    return any(re.search(r"\.command|\bParameter\(", ast.unparse(node)) for node in words)


@functools.cache
def undocumented(package: Path) -> dict[str, list[str]]:
    """Public functions whose docstring leaves something out, by what it leaves out."""
    faults: dict[str, list[str]] = defaultdict(list)
    for path, tree in sources(package).items():
        for name, function in public(tree):
            text = ast.get_docstring(function) or ""
            words = annotations(function)
            place = f"{path}: {name}"
            if words & NUMBERS and not UNIT.search(text):
                faults["without a unit"].append(place)
            if words & ARRAYS and not SHAPE.search(text):
                faults["without a shape"].append(place)
            if raised(function) and not is_command(function) and "aise" not in text:
                faults["raises silently"].append(place)
    return faults


def defined(tree: ast.Module) -> Iterator[str]:
    """Names that a module gives at its top, and those of its classes' methods."""
    for node in tree.body:
        if isinstance(node, Function):
            if not is_command(node):
                yield node.name
        elif isinstance(node, ast.ClassDef):
            yield node.name
            yield from (method.name for method in node.body if isinstance(method, Function))
        elif isinstance(node, ast.Assign):
            yield from (name.id for name in node.targets if isinstance(name, ast.Name))
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            yield node.target.id


def used(tree: ast.Module) -> Iterator[str]:
    """Names that a module reads: as names, attributes, or words in quotes."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            yield node.id
        elif isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def notebooks(folder: Path) -> Iterator[ast.Module]:
    """The code of every notebook in a folder, parsed."""
    for path in sorted(folder.rglob("*.ipynb")):
        for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
            if cell["cell_type"] == "code":
                yield ast.parse("".join(cell["source"]))


CALLED_BY_NUMBA = {"define_pipelines", "get_pointer_to_function"}


def idle(package: Path, *besides: Path) -> list[str]:
    """Definitions that nothing in the package, nor in the folders beside it, uses."""
    trees = sources(package)
    beside = [tree for folder in besides for tree in sources(folder).values()]
    beside += [tree for folder in besides for tree in notebooks(folder)]
    words = {word for tree in [*trees.values(), *beside] for word in used(tree)} | CALLED_BY_NUMBA
    return [
        f"{path}: {name}"
        for path, tree in trees.items()
        for name in defined(tree)
        if name not in words and not name.startswith(("_", "visit_"))  # ast calls the latter
    ]


def offered(door: Path) -> set[str]:
    """What a door offers, by its `__all__` or its stub: names, and modules of the room."""
    stub = door.with_suffix(".pyi")
    tree = ast.parse((stub if stub.exists() else door).read_text(encoding="utf-8"))
    if stub.exists():
        imports = [node for node in tree.body if isinstance(node, ast.ImportFrom)]
        return {alias.name for node in imports for alias in node.names}
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return set(ast.literal_eval(node.value))
    return set()


def past_the_door(package: Path) -> list[str]:
    """Imports of another room's modules that its door does not offer."""
    trees = sources(package)
    doors = {door.parent.name: offered(door) for door in package.glob("*/__init__.py")}
    faults = []
    for path, tree in trees.items():
        for node in ast.walk(tree):
            if not isinstance(node, ast.ImportFrom) or not (node.module or "").startswith(
                "lashwave."
            ):
                continue
            for alias in node.names:
                _, room, *inside = f"{node.module}.{alias.name}".split(".")
                if room in doors and room != room_of(path) and inside:
                    two = ".".join(inside[:2])
                    if not {inside[0], two} & doors[room]:
                        faults.append(f"{room}/{'/'.join(inside)} for {path}")
    return sorted(set(faults))


def found(kind: str) -> list[str]:
    """Faults of one kind in the house as it stands."""
    if kind == "named by tests alone":
        return idle(PACKAGE, REPOSITORY / "benchmarks", REPOSITORY / "docs")
    if kind == "past the door":
        return past_the_door(PACKAGE)
    return undocumented(PACKAGE)[kind]


def test_no_class_name_is_given_twice() -> None:
    assert {k: v for k, v in classes_twice(PACKAGE).items() if k not in CLASSES_OPEN} == {}


def test_no_module_name_is_given_twice() -> None:
    assert {k: v for k, v in files_twice(PACKAGE).items() if k not in FILES_OPEN} == {}


@pytest.mark.parametrize("kind", sorted(ROOMS_OPEN))
def test_public_names_say_what_they_are(kind: str) -> None:
    faults = [fault for fault in found(kind) if room_of(fault) not in ROOMS_OPEN[kind]]
    assert faults == []


def test_what_is_still_open_is_needed() -> None:
    assert set(classes_twice(PACKAGE)) >= CLASSES_OPEN
    assert set(files_twice(PACKAGE)) >= FILES_OPEN
    for kind, rooms in ROOMS_OPEN.items():
        assert {room_of(fault) for fault in found(kind)} >= rooms, kind


def invented(folder: Path, **files: str) -> Path:
    """A small package to prove that the rules can be broken."""
    package = folder / "lashwave"
    for name, text in files.items():
        path = package / (name.replace("_in_", "/") + ".py")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return package


def test_names_given_twice_are_seen(tmp_path: Path) -> None:
    package = invented(
        tmp_path, files_in_drag="class Row: ...", report_in_drag="def f():\n  class Row: ..."
    )
    both = ["files/drag.py", "report/drag.py"]
    assert classes_twice(package) == {"Row": both}
    assert files_twice(package) == {"drag": both}


@pytest.mark.parametrize(
    "text, missing",
    [
        ("Speed (T,) [m/s].", []),
        ("Share (N, 3), no unit.", []),
        ("Direction (N + 1, 3), unit vectors.", []),
        ("Ratio (...) [1].", []),
        ("Step (K n + Q,) [rad].", []),
        ("Speed (T,) of the tip.", ["without a unit"]),
        ("Speed [m/s] of a list [0] (see there).", ["without a shape"]),
        ("Speed of the tip (all of it) at start[i].", ["without a unit", "without a shape"]),
    ],
)
def test_a_docstring_that_leaves_something_out_is_seen(
    tmp_path: Path, text: str, missing: list[str]
) -> None:
    source = f'class A:\n  def speed(self, v: "Array | None") -> float:\n    """{text}"""\n'
    package = invented(tmp_path, b=source)
    assert list(undocumented(package)) == missing


@pytest.mark.parametrize(
    "body, silent",
    [
        ("raise ValueError('no')", True),
        ("if x:\n    raise ValueError", True),
        ('"""Raises ValueError where x is not."""\n  raise ValueError', False),
        ("try:\n    x\n  except KeyError:\n    raise", False),
        ("def g():\n    raise ValueError\n  return g", False),
    ],
)
def test_a_silent_raise_is_seen(tmp_path: Path, body: str, silent: bool) -> None:
    package = invented(tmp_path, a=f"def f(x):\n  {body}\n")
    assert bool(undocumented(package)["raises silently"]) is silent


def test_a_definition_that_nothing_uses_is_seen(tmp_path: Path) -> None:
    package = invented(
        tmp_path,
        a="LIMIT = 3\ndef kept(): ...\ndef lost(): ...\nclass C:\n  def gone(self): ...\n",
        b="from lashwave.a import C, kept\nkept(C)\n@app.command\ndef go(): ...\n",
    )
    assert idle(package) == ["a.py: LIMIT", "a.py: lost", "a.py: gone"]


def test_a_way_past_the_door_is_seen(tmp_path: Path) -> None:
    package = invented(
        tmp_path,
        files_in___init__='__all__ = ["trial", "write"]\n',
        report_in_page=(
            "from lashwave.files.trial import read\nfrom lashwave.files import trial, write\n"
            "from lashwave.files.rows import row\nfrom lashwave.quantities import x\n"
        ),
    )
    assert past_the_door(package) == ["files/rows/row for report/page.py"]
