"""Constants, SI, with their sources."""

STANDARD_GRAVITY = 9.80665
"""Conventional gravity [m/s2]; ISO 80000-3."""

TRIAL_GRAVITY = (0.0, 0.0, -9.81)
"""What a trial assumes where its description is silent [m/s2]; z up."""
