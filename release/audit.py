"""Say whether a published flaw is known of any package that the program or its pages use.

    python release/audit.py

Python's packages are looked up by pip-audit with the hashes of requirements.lock, those of the
pages by npm. Exit status 1 where a flaw is known. Without a database nothing is known: that is
said in one line, and is no failure.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
PIP_AUDIT = "pip-audit==2.10.1"
LOCK, PAGES = "requirements.lock", "web/package-lock.json"


def output(words: list[str], place: Path) -> str:
    """What a command prints; empty where it cannot be run or takes five minutes."""
    try:
        done = subprocess.run(words, cwd=place, capture_output=True, text=True, timeout=300)
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return done.stdout


def python_flaws(said: str) -> tuple[int, list[str]]:
    """How many packages pip-audit looked up, and a line for each flaw, from its JSON."""
    packages = _json(said).get("dependencies", [])
    known = [one for one in packages if "vulns" in one]
    flaws = [
        f"{one['name']} {one['version']}: {flaw['id']}, mended in "
        f"{', '.join(flaw['fix_versions']) or 'no version yet'}"
        for one in known
        for flaw in one["vulns"]
    ]
    return len(known), flaws


def page_flaws(said: str) -> tuple[int, list[str]]:
    """The same from the JSON of npm."""
    record = _json(said)
    looked = record.get("metadata", {}).get("dependencies", {}).get("total", 0)
    found = record.get("vulnerabilities", {})
    flaws = [f"{name}: {one['severity']}, versions {one['range']}" for name, one in found.items()]
    return looked, flaws


def verdict(name: str, looked: int, flaws: list[str]) -> str:
    """One line about one lock, and one more for each flaw."""
    if not looked:
        return f"{name}: no database of flaws is reachable from here, so nothing is known"
    many = "no flaw is" if not flaws else f"{len(flaws)} flaw{'s are' * (len(flaws) > 1) or ' is'}"
    packages = f"{looked} package{'s' * (looked > 1)}"
    return "\n  ".join([f"{name}: {many} known of {packages} looked up", *flaws])


def without_integrity(lock: dict[str, Any]) -> list[str]:
    """Packages of an npm lock that nothing could be held against when they are fetched."""
    return [name for name, one in lock["packages"].items() if name and "integrity" not in one]


def _json(said: str) -> dict[str, Any]:
    try:
        record = json.loads(said)
    except ValueError:
        return {}
    return record if isinstance(record, dict) else {}


def main() -> int:
    """Ask both, and say what they know."""
    uv = shutil.which("uv", path=str(Path(sys.executable).parent)) or "uv"
    ask = [uv, "tool", "run", "--quiet", "--from", PIP_AUDIT, "pip-audit", "--disable-pip",
           "--require-hashes", "--progress-spinner", "off", "-f", "json", "-r", LOCK]  # fmt: skip
    python = python_flaws(output(ask, ROOT))
    npm = ["npm", "audit", "--package-lock-only", "--json"]
    pages = page_flaws(output(npm, ROOT / "web"))
    print(verdict(LOCK, *python))
    print(verdict(PAGES, *pages))
    bare = without_integrity(json.loads((ROOT / PAGES).read_text(encoding="utf-8")))
    for name in bare:
        print(f"{PAGES}: {name} has no integrity; run npm install in web/")
    return 1 if python[1] or pages[1] or bare else 0


if __name__ == "__main__":
    sys.exit(main())
