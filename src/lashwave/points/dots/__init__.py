"""Markers in pictures: dots, and their places in space."""
