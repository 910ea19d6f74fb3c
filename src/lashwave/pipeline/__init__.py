"""Room: pipeline. Joins the rooms: locate, check, reconstruct.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for:
signals are looked after before anything heavy is imported.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
