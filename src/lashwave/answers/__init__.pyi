from . import register as register
from .all import answer as answer, moments_of as moments_of
from .bend import JUMP as JUMP
from .by_motion import depending as depending
from .long_facts import Gathering as Gathering
from .order import WORDS as WORDS
from .pull import past_clamp as past_clamp
from .sound_in_air import peak_pressure as peak_pressure
