"""Room: instruments. What an instrument reads, given a motion; places from several views.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for: what
cameras, clocks and marker systems read, which every command needs, then costs no picture library.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
