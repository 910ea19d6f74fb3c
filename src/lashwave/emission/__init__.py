"""Room: emission. What the crack sends into the air: fronts and their births, cone, sound."""
