"""Instrument files as they come become a trial folder: recognised, described, checked, written."""
