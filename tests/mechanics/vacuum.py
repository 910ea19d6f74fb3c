"""Air that takes no part."""

from lashwave.mechanics.air import Medium

VACUUM = Medium(0.0, 1.8e-5, 343.0)
