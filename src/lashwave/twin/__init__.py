"""Room: twin. A simulated throw, seen by simulated instruments, with its truth.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for:
a scene that is only described costs no picture.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
