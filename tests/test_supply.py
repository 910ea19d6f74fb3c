"""What the program rests on: every file that is fetched is known by its hash, and under a licence.

The form of pip-audit's and npm's answers is that of their own documentation, pages "JSON format"
(pypa/pip-audit, README) and "npm audit" (docs.npmjs.com).
"""

from __future__ import annotations

import json
import re
from pathlib import Path

from packaging.markers import Marker

from release import audit, licences

ROOT = Path(__file__).parents[1]


def locked() -> dict[str, list[str]]:
    """Requirement to the hashes that stand below it in the lock."""
    found: dict[str, list[str]] = {}
    for row in (ROOT / "requirements.lock").read_text(encoding="utf-8").splitlines():
        text = row.strip().removesuffix("\\").strip()
        if text.startswith("--hash="):
            found[list(found)[-1]].append(text.removeprefix("--hash="))
        else:
            found[text] = []
    return found


def test_every_package_of_both_locks_is_known_by_its_hash() -> None:
    lock = locked()
    assert len(lock) > 80
    digest = re.compile(r"sha256:[0-9a-f]{64}")
    bare = [name for name, sums in lock.items() if not sums or not all(map(digest.fullmatch, sums))]
    assert bare == []
    pages = json.loads((ROOT / "web" / "package-lock.json").read_text(encoding="utf-8"))
    assert audit.without_integrity(pages) == []
    del pages["packages"]["node_modules/preact"]["integrity"]
    assert audit.without_integrity(pages) == ["node_modules/preact"]


def test_the_page_of_licences_has_every_package_that_is_installed_here() -> None:
    page = (ROOT / "docs" / "licences.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| (\S+) \| \S+ \| (.+) \|$", page, re.MULTILINE))
    assert not [name for name, licence in rows.items() if licence in ("UNKNOWN", "not stated")]
    wanted = {
        text.split("==")[0]
        for text in locked()
        if ";" not in text or Marker(text.split(";")[1]).evaluate()
    }
    assert wanted - rows.keys() == set(), "run make licences"
    assert {name for name, _, _ in licences.page_rows()} - rows.keys() == set()


def test_a_flaw_is_told_and_no_database_is_no_flaw() -> None:
    said = json.dumps({"dependencies": [
        {"name": "one", "version": "1.0", "vulns": [{"id": "PYSEC-1", "fix_versions": ["1.1"]}]},
        {"name": "two", "version": "2.0", "vulns": []},
        {"name": "three", "skip_reason": "not found"},
    ]})  # fmt: skip
    looked, flaws = audit.python_flaws(said)
    assert audit.verdict("lock", looked, flaws) == (
        "lock: 1 flaw is known of 2 packages looked up\n  one 1.0: PYSEC-1, mended in 1.1"
    )
    away = json.dumps({"dependencies": [{"name": "one", "skip_reason": "not found"}]})
    for nothing in (away, "", "not JSON"):
        assert "no database" in audit.verdict("lock", *audit.python_flaws(nothing))
    npm = {"vulnerabilities": {"vite": {"severity": "high", "range": "<8"}},
           "metadata": {"dependencies": {"total": 78}}}  # fmt: skip
    assert audit.page_flaws(json.dumps(npm)) == (78, ["vite: high, versions <8"])
    assert audit.page_flaws('{"message": "no answer"}') == (0, [])
