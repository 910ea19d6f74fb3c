"""An archive for a data repository: what goes in, and checksums of everything."""

from __future__ import annotations

import zipfile
from pathlib import Path

from lashwave.files import ANSWER_FILES, FIGURES
from lashwave.quantities import InputError

MADE = (1980, 1, 1, 0, 0, 0)
"""Date of every file in the archive, so that the same answers give the same bytes."""


def whole(answers: Path) -> dict[str, Path]:
    """What `reconstruct` wrote, by name; raises InputError where a file of it is missing."""
    files = {name: answers / name for name in sorted(ANSWER_FILES)}
    for name, path in files.items():
        if not path.is_file():
            raise InputError(answers, f"{name} is missing", "reconstruct again")
    figures = [p for p in sorted((answers / "figures").glob("*")) if FIGURES.fullmatch(p.name)]
    return files | {f"figures/{p.name}": p for p in figures}


def zipped(path: Path, files: dict[str, Path], texts: dict[str, str]) -> list[str]:
    """Write the archive; checksums of everything come last."""
    from lashwave.files import sha256

    sums = {name: sha256(file) for name, file in files.items()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, file in files.items():
            with file.open("rb") as source, archive.open(zipfile.ZipInfo(name, MADE), "w") as to:
                while piece := source.read(1 << 20):
                    to.write(piece)
        for name, text in texts.items():
            archive.writestr(zipfile.ZipInfo(name, MADE), text)
        listed = "".join(f"{digest}  {name}\n" for name, digest in sorted(sums.items()))
        archive.writestr(zipfile.ZipInfo("files.sha256", MADE), listed)
        return archive.namelist()
