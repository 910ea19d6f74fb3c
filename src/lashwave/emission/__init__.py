"""Room: emission. What the crack sends into the air: fronts and their births, cone, sound."""

from lashwave.emission.fronts_and_sounds import emitted

__all__ = ["emitted"]
