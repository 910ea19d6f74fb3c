"""Room: answers. One question a file, and the register of what is answered.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for: the
register alone, which pages need, then costs no compiled kernel.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
