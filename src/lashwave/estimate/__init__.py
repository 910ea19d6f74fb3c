"""Room: estimate. Sightings and mechanics become one motion with its covariance.

Others come in by the names in `__init__.pyi`. Each is loaded when it is first asked for:
what needs the options alone costs no compiled kernel.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
