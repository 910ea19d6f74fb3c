"""Room: report. Figures, tables, text and provenance; it computes nothing new.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for:
numbers in text cost no matplotlib.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
