"""Shock fronts in schlieren pictures."""
