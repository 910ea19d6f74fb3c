from .app import make_app as make_app
from .opened import place_of as place_of
from .security import PatientProtocol as PatientProtocol
