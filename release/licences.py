"""Write docs/licences.md: under which licence each package comes that is installed or shown.

    python release/licences.py

Python's are read by pip-licenses from the environment that requirements.lock made, those of the
pages from npm's lock. `make licences` runs it after `make lock`.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "licences.md"
PIP_LICENSES = "pip-licenses==5.5.5"
HEAD = """# Licences

lashwave itself is under the [MIT licence](../LICENSE). Written by `make licences`;
nobody writes it by hand. Wheels of Python may bring libraries in other languages, whose
licences lie in each wheel.

"""


def locked() -> set[str]:
    """Names in requirements.lock, as the index spells them."""
    text = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    return set(re.findall(r"^([\w.-]+)==", text, re.MULTILINE))


def plain(name: str) -> str:
    """A package's name as locks spell it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def python_rows() -> list[tuple[str, str, str]]:
    """(name, version, licence) of every package of the lock that is installed here."""
    uv = shutil.which("uv", path=str(Path(sys.executable).parent)) or "uv"
    ask = [uv, "tool", "run", "--quiet", "--from", PIP_LICENSES, "pip-licenses", "--with-system",
           "--with-license-file", "--no-license-path", "--python", sys.executable,
           "--format", "json"]  # fmt: skip
    found = json.loads(subprocess.run(ask, capture_output=True, text=True, check=True).stdout)
    rows = [(plain(one["Name"]), one["Version"], licence(one)) for one in found]
    return sorted(row for row in rows if row[0] in locked())


def licence(one: dict[str, str]) -> str:
    """What a package states, or the first line of the licence that it brings."""
    if one["License"] != "UNKNOWN":
        return one["License"]
    return one["LicenseText"].strip().split("\n")[0] or "not stated"


def page_rows() -> list[tuple[str, str, str]]:
    """The same of the packages that the pages are made with."""
    packages = json.loads((ROOT / "web" / "package-lock.json").read_text("utf-8"))["packages"]
    return sorted(
        (name.split("node_modules/")[-1], one["version"], one.get("license", "not stated"))
        for name, one in packages.items()
        if name
    )


def table(title: str, rows: list[tuple[str, str, str]]) -> str:
    """One table in Markdown."""
    lines = [f"## {title}", "", "| package | version | licence |", "|---|---|---|"]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows), ""])


def main() -> int:
    """Write the page."""
    python, pages = python_rows(), page_rows()
    tables = [table("Python", python), table("Pages", pages)]
    PAGE.write_text(HEAD + "\n".join(tables), encoding="utf-8")
    print(f"{PAGE.relative_to(ROOT)}: {len(python)} packages of Python, {len(pages)} of the pages")
    return 0


if __name__ == "__main__":
    sys.exit(main())
