"""Room: files. Bytes to nouns and back, with validation.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for:
a marker file costs no film reader.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
