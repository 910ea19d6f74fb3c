"""Room: mechanics. The physics of the line, each law once, and its compiled kernels.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for:
a law without a compiled kernel costs none.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
