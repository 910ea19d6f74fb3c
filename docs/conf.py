"""How the documentation is built: `make docs`."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
SOURCE = HERE.parent / "src"
sys.path.insert(0, str(SOURCE))

from lashwave import __version__  # noqa: E402

project = "lashwave"
author = "The lashwave contributors"
copyright = "2026, The lashwave contributors"
release = version = __version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.viewcode"]
source_suffix = {".md": "markdown", ".rst": "restructuredtext"}
exclude_patterns = ["_build/html", "_build/.doctrees"]
myst_enable_extensions = ["dollarmath", "deflist"]
myst_heading_anchors = 3
html_theme = "alabaster"
html_theme_options = {
    "page_width": "1200px",
    "code_font_size": "0.8em",
    "show_powered_by": False,
}
highlight_language = "text"
autodoc_member_order = "bysource"
autodoc_typehints = "signature"
autodoc_preserve_defaults = True
python_use_unqualified_type_names = True
# An array is shown by its own name, not by what numpy makes of it.
autodoc_type_aliases = {
    name: f"lashwave.quantities.arrays.{name}"
    for name in ("Array", "Single", "Mask", "Whole", "Index")
}
# Links to files outside docs/ stand for the repository; two rooms may use one name.
suppress_warnings = ["myst.xref_missing", "ref.python"]


def write_module_pages() -> None:
    """One page a room, made from the source as it is, so that no module is forgotten."""
    pages = HERE / "_build" / "api"
    pages.mkdir(parents=True, exist_ok=True)
    rooms = sorted(p for p in (SOURCE / "lashwave").iterdir() if (p / "__init__.py").exists())
    for room in rooms:
        modules = sorted(
            ".".join(p.relative_to(room).with_suffix("").parts)
            for p in room.rglob("*.py")
            if p.stem != "__init__"
        )
        lines = [room.name, "=" * len(room.name), "", f".. automodule:: lashwave.{room.name}", ""]
        lines += [".. contents::", "   :local:", "   :depth: 1", ""]
        for module in modules:
            full = f"lashwave.{room.name}.{module}"
            lines += [module, "-" * len(module), "", f".. automodule:: {full}", "   :members:", ""]
        (pages / f"{room.name}.rst").write_text("\n".join(lines), encoding="utf-8")
    names = (f"   {room.name}" for room in rooms)
    index = ["API", "===", "", ".. toctree::", "   :maxdepth: 1", "", *names, ""]
    (pages / "index.rst").write_text("\n".join(index), encoding="utf-8")


NAME = re.compile(r"`([A-Za-z_][\w.]*)`")


def with_links(line: str) -> str:
    """A docstring's line as reStructuredText: what is in backticks leads to that name."""
    parts = NAME.split(line)
    parts[::2] = (re.sub(r"([\\*`|_])", r"\\\1", part) for part in parts[::2])
    parts[1::2] = (f":py:obj:`.{part}`\\ " for part in parts[1::2])
    return "".join(parts)


def as_written(app: Any, what: str, name: str, obj: Any, options: Any, lines: list[str]) -> None:
    """Docstrings are prose with shapes and units in them: show them as they stand, with links."""
    if any(lines):
        lines[:] = [".. parsed-literal::", "", *("   " + with_links(line) for line in lines), ""]


def setup(app: Any) -> None:
    """Called by Sphinx."""
    write_module_pages()
    app.connect("autodoc-process-docstring", as_written)
