"""Where the numbers of an ensemble's member stand: rows of the arrays (rows, members), SI."""

from __future__ import annotations

from typing import NamedTuple

FAST = {"contract", "arcp", "nsz"}
"""What the compiler may do with sums and products."""

# Of a line, node by node, then of its air.
MASS, EASE, LENGTH, OVER, REAR, BEND, WIDE, BLUFF, STIFF = range(9)
LINE_ROWS = STIFF + 3
AIR, GRAVITY, DAMPING = 0, 5, 8

# Of a motion, node by node: link, velocity half a step from now, acceleration, pull as it was
# foretold and as it was last found, factors of the two solvers.
LINK, HALF, PUSH = 0, 3, 6
PULL, LAST, ONE, TWO, UPPER, RIGHT, MOTION_ROWS = range(9, 16)

# Of the steps, and of what `forth` found: at the time where it ended a step SPIN to HAND_POWER, of
# the forces at the next time AIR_POWER to CLAMP; NEAR, loads on the driven nodes, goes on to it.
# WORST is `back`'s: a link's greatest error before its turn, of half its square over the square.
STEP, MIDDLE, NEXT, SPIN, TONE, FLAT = range(6)
TIP_V, TIP, HAND = 6, 9, 12
HEIGHT, KINETIC, END, HAND_POWER, AIR_POWER, LOSS, STORED, CLAMP, WORST, NEAR = range(15, 25)
STEP_ROWS = NEAR + 6

# Of each of two driven nodes: mean velocity from the last time to this and from this to the next,
# velocity and acceleration now and then; after both, the butt's place then, and the hand's
# direction now and its rate.
CAME, GOES, NOW, RATE, THEN, LATE, DRIVEN_ROWS = range(0, 21, 3)
BUTT, AIM, AIM_RATE, HAND_ROWS = range(36, 48, 3)


class Shape(NamedTuple):
    """What all members have in common."""

    links: int
    first: int
    """Links that the hand holds, 0 or 1."""
    beyond: int
    """First node of the line's end."""
