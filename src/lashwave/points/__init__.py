"""Room: points. Pictures and sound become sightings.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for: what a
microphone's peak means, which `check` needs, then costs no picture library.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
