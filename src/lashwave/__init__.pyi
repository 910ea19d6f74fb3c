from .notebook.doors import (
    open_answer as open_answer,
    read as read,
    reconstruct as reconstruct,
    simulate as simulate,
    throws as throws,
)
from .notebook.opened_answers import OpenedAnswers as OpenedAnswers
from .study.swings import simulated as simulated
from .workbench.law_command import read_law as read_law

__version__: str
