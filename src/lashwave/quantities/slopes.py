"""How drag and damping change along a line: names of the parameters, logarithms per free length."""

DRAG_SLOPE = "drag_slope"
"""Shared parameter of a line with a free end: logarithm of the tip's drag across over that at the
grip's end, beside the law of drag."""
DAMPING_SLOPE = "damping_slope"
"""The same of the damping time of bending. It is drawn, not fitted."""
