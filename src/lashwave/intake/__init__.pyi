from . import new_trial as new_trial, propose as propose, recognise as recognise
from .recognise import Recognised as Recognised
