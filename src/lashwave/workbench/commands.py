"""The list of commands; each has a file of its own, which imports nothing heavy before it runs."""

from __future__ import annotations

from typing import Annotated, Literal

from cyclopts import App, Parameter

from lashwave import __version__
from lashwave.workbench import command_list
from lashwave.workbench.assemble_command import assemble
from lashwave.workbench.calibrate_command import calibrate
from lashwave.workbench.campaign_command import campaign
from lashwave.workbench.check_command import check
from lashwave.workbench.compare_command import compare
from lashwave.workbench.demo_command import demo
from lashwave.workbench.deposit_command import deposit
from lashwave.workbench.design_command import design
from lashwave.workbench.fall_command import fall
from lashwave.workbench.law_command import law
from lashwave.workbench.locate_command import locate
from lashwave.workbench.open_command import open_folder
from lashwave.workbench.parameters_command import parameters
from lashwave.workbench.plan_command import plan
from lashwave.workbench.predict_command import predict
from lashwave.workbench.rank_command import rank
from lashwave.workbench.reconstruct_command import reconstruct
from lashwave.workbench.sensitivity_command import sensitivity
from lashwave.workbench.shared_options import DONE
from lashwave.workbench.simulate_command import simulate

app = App(
    name="lashwave",
    help=command_list.ABOUT,
    help_epilogue=command_list.EPILOGUE,
    default_parameter=Parameter(negative=(), negative_iterable=()),
    version=__version__,
    suppress_keyboard_interrupt=False,
    result_action="return_value",
)


def completion(
    shell: Annotated[
        Literal["bash", "zsh", "fish"], Parameter(name="SHELL", help="Which shell is meant.")
    ],
    /,
) -> int:
    """Print what completes commands and options in a shell.

    For bash, say once: lashwave completion bash >> ~/.bash_completion
    """
    print(app.generate_completion(shell=shell))
    return DONE


for command in (
    check, locate, reconstruct, campaign, open_folder, compare, deposit, parameters, calibrate,
    assemble, simulate, demo, predict, rank, fall, law, sensitivity, design, plan, completion,
):  # fmt: skip
    app.command(command, name="open" if command is open_folder else command.__name__)
