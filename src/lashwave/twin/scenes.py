"""The kinds of scene that can be drawn from a seed."""

from lashwave.twin.throws import draw_held, draw_swing, draw_throw
from lashwave.twin.wide import draw_wide

DRAWS = {"throw": draw_throw, "wide": draw_wide, "swing": draw_swing, "held": draw_held}
