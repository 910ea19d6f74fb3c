"""Room: study. More than one trial: repeatability, shared parameters, rival models, falls.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for:
a command pays for its own question alone.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
