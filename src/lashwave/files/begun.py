"""Long work that was begun: its finished parts, kept beside the answers until these are whole.

`NAME.begun` beside the answers' folder NAME holds them, and `begun.json` in it says of what they
are: the inputs' hashes, the options and the program's version. Parts of anything else are dropped.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

from lashwave.files.kept import keep_arrays, kept_arrays
from lashwave.files.swap import replace_file
from lashwave.quantities import Array, InputError

LABEL = "begun.json"
ENDING = ".begun"


class Begun:
    """A folder of finished parts; `get` and `put` as the estimate asks for a shelf."""

    def __init__(self, out: Path, of: dict[str, str]) -> None:
        """Open, or make, the folder beside `out`; of : what the parts are of.

        Raises InputError where a folder of that name holds something else.
        """
        place = out.resolve()
        self.folder = place.with_name(place.name + ENDING)
        known = self._label()
        if known is None and self.folder.exists():
            raise InputError(
                "--out", f"{self.folder} is in the way: it holds no work that was begun",
                "move it away or name another folder",
            )  # fmt: skip
        if known != of:
            self.drop()
        self.folder.mkdir(parents=True, exist_ok=True)
        replace_file(self.folder / LABEL, lambda aside: aside.write_text(json.dumps(of)))

    def _label(self) -> dict[str, str] | None:
        """What the parts are of; None where there are none."""
        try:
            found = json.loads((self.folder / LABEL).read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return None
        return found if isinstance(found, dict) else None

    def get(self, name: str) -> dict[str, Array] | None:
        """Arrays of any shape and any unit that were put there; None where there are none."""
        kept: dict[str, Any] | None = kept_arrays(self.folder / f"{name}.npz")
        return kept

    def put(self, name: str, arrays: dict[str, Array]) -> None:
        """Keep arrays, of any shape and any unit, under a name.

        Raises DiskFullError where there is no room.
        """
        keep_arrays(self.folder / f"{name}.npz", dict(arrays))

    def drop(self) -> None:
        """Remove the folder with all parts."""
        shutil.rmtree(self.folder, ignore_errors=True)
