from .app import make_app as make_app
from .patience import PatientProtocol as PatientProtocol
