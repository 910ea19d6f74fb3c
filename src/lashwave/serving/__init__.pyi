from .app import make_app as make_app
from .security import PatientProtocol as PatientProtocol
