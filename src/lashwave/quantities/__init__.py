"""Room: quantities. The nouns that all rooms share: line, air, sightings, motion, fit, answer.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for:
one who needs a single noun pays for that noun alone.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
