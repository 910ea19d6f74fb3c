"""Room: intake. Instrument files become a trial folder.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for:
the proposal costs no reader of pictures.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
