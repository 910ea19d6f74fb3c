"""`lashwave deposit` of a whole campaign: tables, page, and the answers of every finished throw."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from lashwave import __version__
from lashwave.files import campaign_place as at, replace_file
from lashwave.quantities import InputError
from lashwave.workbench.campaign_command import FILES
from lashwave.workbench.deposit_archive import whole, zipped

KEPT = frozenset({at.THROWS, at.LOG, "stamps.json", "lock", "second"})
"""What the campaign needs to go on, and a depositor does not."""


def packed_campaign(folder: Path, out: Path, *, inputs: bool) -> list[str]:
    """Write the archive `out` of what `campaign` wrote to `folder`; the names in it.

    Raises
    ------
    InputError : where it is no campaign, none of its throws is finished, or one's answers are not
        whole.
    """
    found = at.finished(folder)
    if found is None:
        raise InputError(
            "--answers", "are not named, and the folder is no campaign's",
            "name what `reconstruct` wrote, or the folder that `campaign` wrote",
        )  # fmt: skip
    if not found:
        raise InputError(folder, "has no finished throw", "run `lashwave campaign` to its end")
    files = {name: folder / name for name in sorted(FILES - KEPT) if (folder / name).is_file()}
    for trial, answers in found:
        place = f"{at.THROWS}/{answers.parent.name}"
        files |= {f"{place}/{at.ANSWERS}/{name}": path for name, path in whole(answers).items()}
        files[f"{place}/{at.MARK}"] = answers.parent / at.MARK
        if inputs:
            files |= {
                f"{place}/inputs/{name.replace('../', 'beside/')}": path
                for name, path in at.inputs_of(trial).items()
            }
    text = resources.files("lashwave.workbench").joinpath("deposit_campaign.md").read_text("utf-8")
    said = "the trials as they are now" if inputs else "not in this archive"
    readme = text.format(version=__version__, throws=len(found), inputs=said)
    names: list[str] = []
    replace_file(out, lambda path: names.extend(zipped(path, files, {"README.md": readme})))
    return names
