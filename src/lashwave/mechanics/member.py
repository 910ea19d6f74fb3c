"""One step of one member of an ensemble: a line held at its butt, its mass at its nodes.

The scheme is that of `leapfrog`, in an order that passes twice over the nodes and needs few digits:
a link's vector is carried on by the difference of its nodes' velocities, not by places far from the
origin. `forth` runs from the butt: it ends one step, finds the forces there and starts to solve for
the next accelerations. `back` runs from the tip: it ends that, and starts to solve for the pulls
that keep the links' lengths, by one turn of Newton's; what that leaves of a link's error is in the
next step's turn.

The source is plain and for one member. `m` is a member's number, or lanes of several (`lanes`); in
double precision, in single precision on lanes and on a GPU it is compiled from the same lines.
"""

from __future__ import annotations

import math
from typing import Any

from lashwave.mechanics.bending import joint
from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.drag import body_drag, link_drag
from lashwave.mechanics.lanes import least, most
from lashwave.mechanics.member_rows import (
    AIM,
    AIM_RATE,
    AIR,
    AIR_POWER,
    BEND,
    BLUFF,
    BUTT,
    CAME,
    CLAMP,
    DAMPING,
    DRIVEN_ROWS,
    EASE,
    END,
    FAST,
    FLAT,
    GOES,
    GRAVITY,
    HALF,
    HAND,
    HAND_POWER,
    HEIGHT,
    KINETIC,
    LAST,
    LATE,
    LENGTH,
    LINE_ROWS,
    LINK,
    LOSS,
    MASS,
    MIDDLE,
    MOTION_ROWS,
    NEAR,
    NEXT,
    NOW,
    ONE,
    OVER,
    PULL,
    PUSH,
    RATE,
    REAR,
    RIGHT,
    SPIN,
    STEP,
    STIFF,
    STORED,
    THEN,
    TIP,
    TIP_V,
    TONE,
    TWO,
    UPPER,
    WIDE,
    WORST,
    Shape,
)  # fmt: skip
from lashwave.mechanics.node_matrix import STRAIGHTER
from lashwave.mechanics.triples import dot, minus, plus, put, three, times
from lashwave.quantities import Array


@compiled(error_model="numpy", fastmath=FAST)
def link_push(line: Array, air: Any, j: int, m: Any, t: Any, a: Any, b: Any) -> Any:
    """Force of the air on link j of direction t, its ends' velocities a and b [m/s]; its power.

    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    v = (0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1]), 0.5 * (a[2] + b[2]))
    along = dot(v, t)
    n = plus(v, -along, t)
    cross, skin, _, _ = link_drag(
        math.sqrt(dot(n, n)), along, line[j * LINE_ROWS + LENGTH, m],
        line[j * LINE_ROWS + WIDE, m], air[0], air[1], air[2], air[3], air[4],
    )  # fmt: skip
    f = plus(times(-cross, n), -skin * along, t)
    return f, dot(f, v)


@compiled(error_model="numpy", fastmath=FAST)
def solved_row(line: Array, motion: Array, share: Any, i: int, m: Any, f: Any, c: Any) -> Any:
    """Eliminate node i from the five-diagonal system of the accelerations (`node_matrix`).

    f [N]; c : what the rows before take from this one and the next.
    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    row, own = i * LINE_ROWS, i * MOTION_ROWS
    diagonal = line[row + MASS, m] + share * line[row + STIFF, m] - c[0]
    beside, beyond = share * line[row + STIFF + 1, m] - c[1], share * line[row + STIFF + 2, m]
    over = 1.0 / diagonal
    one, two = beside * over, beyond * over
    u = minus(f, c[3])
    motion[own + ONE, m], motion[own + TWO, m] = one, two
    put(motion, own + PUSH, m, times(over, u))
    return c[2] + one * beside, one * beyond, two * beyond, plus(c[4], one, u), times(two, u)


@compiled(error_model="numpy", fastmath=FAST)
def weight_and_body(line: Array, air: Any, g: Any, i: int, m: Any, v: Any) -> Any:
    """Weight of node i, drag of the body on it [N], the drag's power [W]; arrays (R, M)."""
    row = i * LINE_ROWS
    square = dot(v, v)
    push = body_drag(math.sqrt(square), line[row + BLUFF, m], air[0])
    return plus(times(line[row + MASS, m], g), -push, v), -push * square


@compiled(error_model="numpy", fastmath=FAST)
def ended(
    line: Array, motion: Array, hand: Array, step: Any, i: int, m: Any, gains: Any, t: Any, s: Any
) -> Any:
    """Acceleration and velocity of node i where a step ends, and its mean velocity in the next.

    step : that step, and the span from half step to half step [s]. gains : change of the pulls of
    the links after and before it [N], t and s their directions.
    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    if i <= step[2]:
        row = i * DRIVEN_ROWS
        return three(hand, row + LATE, m), three(hand, row + THEN, m), three(hand, row + CAME, m)
    own, ease = i * MOTION_ROWS, line[i * LINE_ROWS + EASE, m]
    a = plus(plus(three(motion, own + PUSH, m), ease * gains[0], t), -ease * gains[1], s)
    half = three(motion, own + HALF, m)
    soon = plus(half, step[1], a)
    put(motion, own + HALF, m, soon)
    return a, plus(half, step[1] - 0.5 * step[0], a), soon


@compiled(error_model="numpy", fastmath=FAST)
def noted(tally: Any, line: Array, n: Shape, i: int, m: Any, v: Any, x: Any, t: Any, s: Any) -> Any:
    """Add node i at place x, and the joint between directions s and t, to what is noted of a time.

    tally : potential and kinetic energy [J], that of the line's end, least cosine there.
    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    row = i * LINE_ROWS
    mass = line[row + MASS, m]
    g = three(line, (n.links + 1) * LINE_ROWS + AIR + GRAVITY, m)
    kinetic = 0.5 * mass * dot(v, v)
    end, flat = tally[2], tally[3]
    if i >= n.beyond:
        end = end + kinetic
        if n.first < i < n.links:
            flat = least(dot(s, t), flat)
    return tally[0] - mass * dot(g, x), tally[1] + kinetic, end, flat


@compiled(error_model="numpy", fastmath=FAST)
def carried_on(
    line: Array, motion: Array, hand: Array, n: Shape, j: int, m: Any, by: Any, gain: Any, soon: Any
) -> Any:
    """Carry link j on to the next time, its ends' mean velocities being soon[0] and soon[1].

    by : the step [s], and the next one over it. Returns the link's direction, its foretold pull,
    and the squares of the rates of its turning and of a wave on it [1/s2], for the next step.
    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    own, row = j * MOTION_ROWS, j * LINE_ROWS
    over = line[row + OVER, m]
    rate = minus(soon[1], soon[0])
    if j < n.first:
        link = times(line[row + LENGTH, m], three(hand, AIM, m))
    else:
        link = plus(three(motion, own + LINK, m), by[0], rate)
    put(motion, own + LINK, m, link)
    pull = motion[own + PULL, m] + gain
    foretold = pull + by[1] * (pull - motion[own + LAST, m])
    motion[own + LAST, m], motion[own + PULL, m] = pull, foretold
    eased = line[row + EASE, m] + line[row + LINE_ROWS + EASE, m]
    tone = 2.0 * eased * most(pull, -pull) * over
    return times(over, link), foretold, over * over * dot(rate, rate), tone


@compiled(error_model="numpy", fastmath=FAST)
def bent(line: Array, n: Shape, j: int, m: Any, ways: Any, rates: Any) -> Any:
    """Forces [N] of joint j on the nodes before and after it, power stored, lost and at a clamp.

    ways, rates : directions of the links before and after it, and their rates [1/s].
    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    row, tau = j * LINE_ROWS, line[(n.links + 1) * LINE_ROWS + AIR + DAMPING, m]
    x, y, z, stored, lost = joint(line[row + BEND, m], tau, *ways, *rates)
    q, s, t = (x, y, z), ways[0], ways[1]
    p = times(line[row + REAR, m], plus(q, -dot(q, s), s))
    r = times(line[row + OVER, m], plus(q, -dot(q, t), t))
    return p, r, stored, lost, dot(q, rates[0])


@compiled(error_model="numpy", fastmath=FAST)
def held(line: Array, motion: Array, step: Array, n: Shape, i: int, m: Any, a: Any, v: Any, t: Any,
         gain: Any) -> None:  # fmt: skip
    """Add what moves driven node i to the hand's force [N] and power [W]; arrays (R, M)."""
    push = minus(times(line[i * LINE_ROWS + MASS, m], a), three(step, NEAR + 3 * i, m))
    if i == n.first:
        push = plus(push, -(motion[i * MOTION_ROWS + PULL, m] + gain), t)
    put(step, HAND, m, plus(three(step, HAND, m), 1.0, push))
    step[HAND_POWER, m] = step[HAND_POWER, m] + dot(push, v)


@compiled(error_model="numpy", fastmath=FAST)
def beginning(line: Array, step: Array, m: Any, n: Shape) -> Any:
    """The last step, the next over it, and what `stiffened` needs of them; the air, the weight.

    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    top = (n.links + 1) * LINE_ROWS + AIR
    last, new = step[STEP, m], step[NEXT, m]
    rub = STRAIGHTER * line[top + DAMPING, m]
    share, back = 0.5 * (last + new) * (0.5 * rub + 0.25 * new), 0.5 * last * rub
    air = (line[top, m], line[top + 1, m], line[top + 2, m], line[top + 3, m], line[top + 4, m])
    zero = 0.0 * last
    put(step, HAND, m, (zero, zero, zero))
    step[HAND_POWER, m] = step[CLAMP, m]
    return last, new / most(last, 1e-12), share, back, air, three(line, top + GRAVITY, m)


@compiled(error_model="numpy", fastmath=FAST)
def stopped(line: Array, motion: Array, step: Array, hand: Array, n: Shape, i: int, m: Any,
            factors: Any, behind: Any, tally: Any) -> Any:  # fmt: skip
    """End the step at node i: what `ended` gives, the link after it, what is noted of that time.

    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    gain_was, t_was, x = behind
    own, zero = i * MOTION_ROWS, 0.0 * gain_was
    gain, t, link = zero, (zero, zero, zero), (zero, zero, zero)
    if i < n.links:
        link = three(motion, own + LINK, m)
        t = times(line[i * LINE_ROWS + OVER, m], link)
        if i >= n.first:
            gain = motion[own + RIGHT, m] - motion[own + UPPER, m] * gain_was
    a, v, soon = ended(
        line, motion, hand, (factors[0], step[MIDDLE, m], n.first), i, m, (gain, gain_was), t, t_was
    )
    tally = noted(tally, line, n, i, m, v, x, t, t_was)
    if i <= n.first:
        held(line, motion, step, n, i, m, a, v, t, gain)
        row = i * DRIVEN_ROWS
        a = times(factors[3] - factors[2], three(hand, row + RATE, m))
        v_next = three(hand, row + NOW, m)
    else:
        a, v_next = times(factors[3], a), plus(soon, 0.5 * factors[0], a)
    if i == n.links:
        put(step, TIP_V, m, v)
        put(step, TIP, m, x)
    return a, v_next, soon, (gain, t, plus(x, 1.0, link)), tally


@compiled(error_model="numpy", fastmath=FAST)
def loaded(line: Array, motion: Array, hand: Array, n: Shape, j: int, m: Any, factors: Any,
           gain: Any, soon: Any, v: Any, a: Any, behind: Any, tally: Any) -> Any:  # fmt: skip
    """Carry link j on and find the forces of it and of joint j.

    soon, v, a : of its ends. behind : direction of the link before, its rate, and its part of a.
    Returns what becomes of `behind`, the forces on nodes j - 1, j, j + 1, on the same nodes what
    friction made of a, and the tally.
    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    row = j * LINE_ROWS
    t, pull, spin, tone = carried_on(line, motion, hand, n, j, m, factors, gain, soon)
    over, rear = line[row + OVER, m], line[row + REAR, m]
    w, turned = times(over, minus(v[1], v[0])), times(over, minus(a[1], a[0]))
    push, power = link_push(line, factors[4], j, m, t, v[0], v[1])
    p, r, stored, lost, clamp = bent(line, n, j, m, (behind[0], t), (behind[1], w))
    f1, f2 = plus(times(0.5, push), pull, t), plus(times(0.5, push), -pull, t)
    f1, f2 = minus(minus(f1, p), r), plus(f2, 1.0, r)
    rubbed = times(line[row + BEND, m], minus(turned, behind[2]))
    extra = (times(rear, rubbed), times(-(rear + over), rubbed), times(over, rubbed))
    tally = (
        most(spin, tally[0]), most(tone, tally[1]), tally[2] + power, tally[3] + lost,
        tally[4] + stored, clamp if j == 0 else tally[5],
    )  # fmt: skip
    return (t, w, turned), (p, f1, f2), extra, tally


@compiled(error_model="numpy", fastmath=FAST)
def forth(line: Array, motion: Array, step: Array, hand: Array, m: Any, n: Shape) -> None:
    """From the butt to the tip: end a step, carry the links on, and find the next accelerations.

    line, motion, step, hand : (rows, members), rows as named above, SI. `back` follows.
    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    factors = beginning(line, step, m, n)
    zero = 0.0 * factors[0]
    none = (zero, zero, zero)
    then, next_ = (zero, zero, zero, zero + 1.0), (zero, zero, zero, zero, zero, zero)
    behind = (zero, none, three(hand, BUTT, m))
    before = (three(hand, AIM, m), three(hand, AIM_RATE, m), none)
    f0, f1, h0, h1, c = none, none, none, none, (zero, zero, zero, none, none)
    gain_was, a_was, v_was, soon_was, pull = zero, none, none, none, none
    for i in range(n.links + 1):
        a, v, soon, behind, then = stopped(line, motion, step, hand, n, i, m, factors, behind, then)
        f2, power = weight_and_body(line, factors[4], factors[5], i, m, v)
        h2 = none
        next_ = (next_[0], next_[1], next_[2] + power, next_[3], next_[4], next_[5])
        if i > 0:
            before, f, h, next_ = loaded(
                line, motion, hand, n, i - 1, m, factors, gain_was, (soon_was, soon), (v_was, v),
                (a_was, a), before, next_,
            )  # fmt: skip
            f0, f1, f2 = plus(f0, 1.0, f[0]), plus(f1, 1.0, f[1]), plus(f2, 1.0, f[2])
            h0, h1, h2 = plus(h0, 1.0, h[0]), plus(h1, 1.0, h[1]), h[2]
        if i == n.first + 1:
            pull = times(motion[n.first * MOTION_ROWS + PULL, m], before[0])
        if i > 1:
            c = passed(line, motion, step, n, i - 2, m, factors[2], pull, f0, h0, c)
        gain_was, a_was, v_was, soon_was = behind[0], a, v, soon
        f0, f1, h0, h1 = f1, f2, h1, h2
    c = passed(line, motion, step, n, n.links - 1, m, factors[2], pull, f0, h0, c)
    passed(line, motion, step, n, n.links, m, factors[2], pull, f1, h1, c)
    left(step, m, factors[0], then, next_)


@compiled(error_model="numpy", fastmath=FAST)
def passed(line: Array, motion: Array, step: Array, n: Shape, i: int, m: Any, share: Any,
           pull: Any, f: Any, h: Any, c: Any) -> Any:  # fmt: skip
    """Take node i, whose forces are complete, into the system; of a driven one keep its load.

    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    if i > n.first:
        return solved_row(line, motion, share, i, m, plus(f, 1.0, h), c)
    put(step, NEAR + 3 * i, m, minus(f, pull) if i == n.first else f)
    return c


@compiled(error_model="numpy", fastmath=FAST)
def left(step: Array, m: Any, last: Any, then: Any, next_: Any) -> None:
    """Keep what was noted, and make the next step the last. Arrays (R, M), SI [m, kg]."""
    step[HEIGHT, m], step[KINETIC, m], step[END, m], step[FLAT, m] = then
    step[SPIN, m], step[TONE, m], step[AIR_POWER, m] = next_[0], next_[1], next_[2]
    step[LOSS, m], step[STORED, m], step[CLAMP, m] = next_[3], next_[4], next_[5]
    new = step[NEXT, m]
    step[MIDDLE, m] = 0.5 * (last + new)
    step[STEP, m] = new


@compiled(error_model="numpy", fastmath=FAST)
def back(line: Array, motion: Array, step: Array, hand: Array, m: Any, n: Shape) -> None:
    """From the tip to the butt: the accelerations, and half of the pulls' tridiagonal system.

    line, motion, step, hand : as of `forth`, which ends this.
    Arrays are rows by members (R, M), SI [m, kg, s, N].
    """
    long, middle = step[STEP, m], step[MIDDLE, m]
    scale = middle * long
    zero = 0.0 * long
    own = n.links * MOTION_ROWS
    a1, a2 = three(motion, own + PUSH, m), (zero, zero, zero)
    g = plus(three(motion, own + HALF, m), middle, a1)
    t_next, ease_next = a2, line[n.links * LINE_ROWS + EASE, m]
    upper, right, worst = zero, zero, zero
    for j in range(n.links - 1, n.first - 1, -1):
        own, row = j * MOTION_ROWS, j * LINE_ROWS
        if j > n.first:
            u = plus(three(motion, own + PUSH, m), -motion[own + ONE, m], a1)
            a2, a1 = a1, plus(u, -motion[own + TWO, m], a2)
            put(motion, own + PUSH, m, a1)
            p = plus(three(motion, own + HALF, m), middle, a1)
        else:
            p = three(hand, j * DRIVEN_ROWS + GOES, m)
        link, length = three(motion, own + LINK, m), line[row + LENGTH, m]
        t, e = times(line[row + OVER, m], link), plus(link, long, minus(g, p))
        ease = line[row + EASE, m]
        above = -scale * ease_next * dot(e, t_next)
        below = zero
        if j > n.first:
            rear = times(line[row + REAR, m], three(motion, own - MOTION_ROWS + LINK, m))
            below = -scale * ease * dot(e, rear)
        miss = 0.5 * (dot(e, e) - length * length)
        worst = most(most(miss, -miss) / (length * length), worst)
        over = 1.0 / (scale * (ease + ease_next) * dot(e, t) - above * upper)
        right = (miss - above * right) * over
        upper = below * over
        motion[own + UPPER, m], motion[own + RIGHT, m] = upper, right
        g, t_next, ease_next = p, t, ease
    step[WORST, m] = worst
