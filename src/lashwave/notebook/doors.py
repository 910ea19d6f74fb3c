"""The public functions: read, reconstruct, simulate, open answers, throw."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lashwave.notebook.opened_answers import OpenedAnswers
from lashwave.quantities import InputError, Trial

if TYPE_CHECKING:
    import pandas as pd

    from lashwave.pipeline import Progress


def read(folder: str | Path) -> Trial:
    """The trial of a folder, as docs/trial-folder.md has it; SI, axes (time, station, xyz).

    Raises
    ------
    InputError : a file or field is at fault; the message says which, and what would be right.
    """
    from lashwave.pipeline import read_usable

    return read_usable(Path(folder))


def reconstruct(
    trial: Trial | str | Path,
    out: str | Path | None = None,
    progress: Progress | None = None,
    withhold: tuple[str, ...] = (),
) -> OpenedAnswers:
    """The whole motion of a trial with its answers; some minutes.

    Parameters
    ----------
    trial : a trial, or its folder.
    out : folder for all files of `lashwave reconstruct`; None writes nothing.
    progress : told a stage and the share done, 0 to 1.
    withhold : sightings to leave out, as `lashwave reconstruct --help` has them; the warnings say
        whether they fit.

    Raises
    ------
    InputError : the trial cannot be used. NotConvergedError : no motion fits it.
    """
    from lashwave.files import motion_dataset
    from lashwave.pipeline import reconstruct as pipeline, reconstructed

    found = read(trial) if not isinstance(trial, Trial) else trial
    hidden = None
    if withhold:
        found, hidden = pipeline.without_sightings(found, withhold)
    done = reconstructed(found, progress)
    if hidden is not None:
        done = replace(done, fit=pipeline.held_against(done.fit, hidden))
    if out is not None:
        pipeline.write(done, Path(out), progress)
    fit = done.fit
    return OpenedAnswers(found.name, done.answers, motion_dataset(fit), done.lists, fit.warnings)


def open_answer(folder: str | Path) -> OpenedAnswers:
    """What `reconstruct` wrote to a folder.

    Raises
    ------
    InputError : a file is absent or damaged.
    """
    from lashwave.files import read_lists, read_motion, read_summary

    place = Path(folder)
    said = read_summary(place)
    return OpenedAnswers(
        said.trial, said.answers, read_motion(place), read_lists(place), said.warnings
    )


def simulate(seed: int = 0, kind: str = "throw", **wishes: Any) -> tuple[Trial, Any]:
    """A trial of the virtual bench and the truth behind it; half a minute.

    kind, wishes : as of `lashwave simulate`: camera, second_view, ghosts, missing, ...
    """
    from lashwave import twin

    return twin.make(seed, kind, **wishes)


def throws(processes: int | None = 1, gpu: bool = False, **inputs: Any) -> pd.DataFrame:
    """Throws of the forward engine: inputs, outputs and `bad`, a row each; units in `attrs`.

    Parameters
    ----------
    processes : None: as many as there are cores.
    gpu : on this machine's graphics card, with the extra `[gpu]`.
    inputs : of docs/law.md, SI, each a number or (M,); what is left out is in the middle of its
        range, as [m].

    Raises
    ------
    InputError : no such input, or lengths that do not agree.
    """
    from lashwave.study import ensemble, one_throw, throw_family

    known = throw_family.MIDDLE
    for name in inputs:
        if name not in known:
            raise InputError("throws", f"{name} is no input", f"use {', '.join(known)}", field=name)
    try:
        columns = np.broadcast_arrays(*(
            np.atleast_1d(np.asarray(inputs.get(name, known[name]), dtype=float)) for name in known
        ))  # fmt: skip
    except ValueError:
        raise InputError("throws", "inputs of unlike lengths", "give each alike many") from None
    table = ensemble.run(np.stack(columns, axis=1), processes=processes, gpu=gpu)
    every = (*throw_family.INPUTS, *one_throw.OUTPUTS)
    table.attrs["units"] = {item.name: item.unit for item in every}
    return table
