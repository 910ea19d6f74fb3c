"""`lashwave completion`: what a shell needs to complete the commands."""

from __future__ import annotations

from typing import Annotated, Literal

from cyclopts import Parameter

from lashwave.pipeline import console
from lashwave.workbench.shared_options import DONE


def completion(
    shell: Annotated[
        Literal["bash", "zsh", "fish"], Parameter(name="SHELL", help="Which shell is meant.")
    ],
    /,
) -> int:
    """Print what completes commands and options in a shell.

    For bash, say once: lashwave completion bash >> ~/.bash_completion
    """
    from lashwave.workbench.commands import app

    console.say(app.generate_completion(shell=shell))
    return DONE
