"""lashwave: the whole motion of a fast, slender, tapered line from partial records of it.

What a notebook or a script needs stands in `__init__.pyi`; each is loaded when it is asked for.
"""

import lazy_loader

from lashwave.mechanics import choose_core

choose_core()
__version__ = "0.1.0"
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
