"""Room: serving. The server of the pages.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for:
a command that serves nothing loads no server.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
