"""Room: answers. One question a file, and the register of what is answered.

Others come in by the names below. Each is loaded when it is first asked for: the register alone,
which pages need, then costs no compiled kernel.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lashwave.answers import register
    from lashwave.answers.all import answer, moments_of
    from lashwave.answers.bend import JUMP
    from lashwave.answers.order import WORDS
    from lashwave.answers.pull import past_clamp
    from lashwave.answers.sound_in_air import peak_pressure

__all__ = ["JUMP", "WORDS", "answer", "moments_of", "past_clamp", "peak_pressure", "register"]

_HOME = {
    "JUMP": "bend",
    "WORDS": "order",
    "answer": "all",
    "moments_of": "all",
    "past_clamp": "pull",
    "peak_pressure": "sound_in_air",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"lashwave.answers has no {name}")
    return getattr(import_module(f"lashwave.answers.{_HOME[name]}"), name)
