"""What is kept of an ensemble's members, one at a time: the hand, the step, the peak, the accounts.

Plain source for one member's slot, in double precision; a CPU calls it for each lane, a GPU for
each of its threads. The nodes are `member`'s.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from lashwave.mechanics.compiling import compiled
from lashwave.mechanics.kernels import posed
from lashwave.mechanics.member_rows import (
    AIM,
    AIM_RATE,
    AIR_POWER,
    BUTT,
    CAME,
    DRIVEN_ROWS,
    END,
    FLAT,
    GOES,
    HALF,
    HAND,
    HAND_POWER,
    HEIGHT,
    KINETIC,
    LATE,
    LENGTH,
    LINK,
    LOSS,
    MOTION_ROWS,
    NEXT,
    NOW,
    RATE,
    SPIN,
    STEP,
    STEP_ROWS,
    STORED,
    THEN,
    TIP,
    TIP_V,
    TONE,
    WORST,
    Shape,
)  # fmt: skip
from lashwave.quantities import Array

RISE, FALL = 1.2, 0.5
"""A peak of the tip's speed rises over the least speed before it and falls again by these ratios;
the run ends with the first one."""
GROWTH = 1.05
"""The step grows by this at most from one to the next: sudden changes cost the leapfrog's order."""
CLOSE = 1e-3
"""Error of a squared link length, over twice the square, from which steps become shorter: one turn
of Newton's leaves its square."""
FIRST_STEP = 1e-7
"""[s]"""
RESULTS = (
    "speed", "time", "x", "y", "z", "end_energy", "cosine", "open", "kinetic", "speed_100us",
    "force", "arrived", "steps", "ill",
)  # fmt: skip
"""Of a member: at the peak of the tip's speed [m/s, s, m x 3]; up to it the most energy of the
line's end [J], the least cosine between two links there, the most that the account of energy left
open [J]; kinetic energy at first [J]; greatest means of the tip's speed and of the hand's force;
whether there was a peak; steps; 1 where a number ceased to be finite, 2 where the steps ran out."""
SHORT_MEAN, LONG_MEAN, AROUND = 1e-4, 5e-3, 400
"""Spans of those two means [s]; the first is sought so many steps around the peak."""
# Of a slot's numbers.
TIME, AHEAD, LEAST, WORK, POWER, NODES, FIRST, OPEN, MOST_END, SHARP, BOOK = (
    0,
    1,
    2,
    3,
    4,
    5,
    6,
    7,
    8,
    9,
    10,
)
# Of a slot's whole numbers.
MEMBER, COUNT, TOP, SPOT, SAMPLE, MARKS = range(6)


class Given(NamedTuple):
    """All members of an ensemble: M of them, G knots of a hand, T times."""

    line: Array  # (M, rows) of `member`
    motion: Array  # (M, N + 1, 6) links [m] and velocities [m/s] at first
    knots: Array  # (M, G) [s]
    pieces: Array  # (M, G - 1, 4, 6) of `Grip.pieces`
    wanted: Array  # (M, 3): start, end [s], and how far from the hand a peak counts [m]; < 0: any
    fineness: Array  # (3,) of `quick.FINENESS`
    times: Array  # (T,) [s] of the places wanted


class Desk(NamedTuple):
    """Where members are computed, a slot each; S slots."""

    line: Array  # (rows, S)
    motion: Array  # (rows, S)
    step: Array  # (rows, S)
    hand: Array  # (rows, S)
    pose: Array  # (S, 2, 6, 3) of the hand where the step begins and ends
    book: Array  # (S, BOOK)
    mark: Array  # (S, MARKS), whole
    trace: Array  # (S, most, 3): time [s], tip's speed [m/s], hand's force [N]


class ThrowResults(NamedTuple):
    """What comes of them."""

    result: Array  # (M, RESULTS)
    place: Array  # (M, T, N + 1, 3) [m]


@compiled(error_model="numpy")
def greatest_mean(time: Array, value: Array, low: int, high: int, span: float) -> float:
    """Largest mean of value (T,) over any `span` [s] in rows low .. high - 1; nan of fewer."""
    if high - low < 2 or time[high - 1] - time[low] <= span:
        return math.nan
    best, area, rear, behind = -math.inf, 0.0, low, 0.0
    for i in range(low + 1, high):
        area += 0.5 * (value[i] + value[i - 1]) * (time[i] - time[i - 1])
        edge = time[i] - span
        if edge <= time[low]:
            continue
        while time[rear + 1] < edge:
            behind += 0.5 * (value[rear + 1] + value[rear]) * (time[rear + 1] - time[rear])
            rear += 1
        share = (edge - time[rear]) / (time[rear + 1] - time[rear])
        whole = 0.5 * (value[rear + 1] + value[rear]) * (time[rear + 1] - time[rear])
        best = max(best, (area - behind - share * whole) / span)
    return best


@compiled(error_model="numpy")
def pose_at(given: Given, member: int, spot: int, time: float, out: Array) -> int:
    """Fill out (6, 3) [m, s, rad] with the hand's place and direction, their rates; its piece."""
    knots = given.knots[member]
    while spot < knots.size - 2 and time >= knots[spot + 1]:
        spot += 1
    posed(given.pieces[member, spot], time - knots[spot], out)
    return spot


@compiled(error_model="numpy")
def drive(given: Given, desk: Desk, k: int, n: Shape) -> None:
    """Set the hand's rows of slot k for the next step: places, velocities, accelerations."""
    hand, step, book, mark = desk.hand, desk.step, desk.book, desk.mark
    here, soon = desk.pose[k, 0], desk.pose[k, 1]
    next_ = step[NEXT, k]
    for row in range(3):
        hand[BUTT + row, k] = here[0, row]
    for p in range(6):
        for row in range(3):
            here[p, row] = soon[p, row]
    mark[k, SPOT] = pose_at(given, mark[k, MEMBER], mark[k, SPOT], book[k, AHEAD] + next_, soon)
    for d in range(n.first + 1):
        own = d * DRIVEN_ROWS
        reach = given.line[mark[k, MEMBER], LENGTH] if d == 1 else 0.0
        for row in range(3):
            hand[own + CAME + row, k] = hand[own + GOES + row, k]
            hand[own + THEN + row, k] = hand[own + NOW + row, k]
            hand[own + LATE + row, k] = hand[own + RATE + row, k]
            hand[own + NOW + row, k] = here[1, row] + reach * here[4, row]
            hand[own + RATE + row, k] = here[2, row] + reach * here[5, row]
            way = soon[0, row] - here[0, row] + reach * (soon[3, row] - here[3, row])
            hand[own + GOES + row, k] = way / next_
    for row in range(3):
        hand[AIM + row, k] = here[3, row]
        hand[AIM_RATE + row, k] = here[4, row]


@compiled(error_model="numpy")
def fill(given: Given, desk: Desk, k: int, member: int, n: Shape) -> None:
    """Put a member into slot k, at its start."""
    for row in range(given.line.shape[1]):
        desk.line[row, k] = given.line[member, row]
    for i in range(n.links + 1):
        for row in range(MOTION_ROWS):
            desk.motion[i * MOTION_ROWS + row, k] = 0.0
        for row in range(3):
            desk.motion[i * MOTION_ROWS + LINK + row, k] = given.motion[member, i, row]
            desk.motion[i * MOTION_ROWS + HALF + row, k] = given.motion[member, i, 3 + row]
    for row in range(STEP_ROWS):
        desk.step[row, k] = 0.0
    for entry in range(BOOK):
        desk.book[k, entry] = 0.0
    start = given.wanted[member, 0]
    desk.step[NEXT, k] = FIRST_STEP
    desk.book[k, TIME], desk.book[k, AHEAD], desk.book[k, LEAST] = start, start, math.inf
    desk.book[k, SHARP] = 1.0
    desk.mark[k, MEMBER], desk.mark[k, COUNT], desk.mark[k, TOP] = member, -1, 0
    desk.mark[k, SPOT] = pose_at(given, member, 0, start, desk.pose[k, 1])
    desk.mark[k, SAMPLE] = 0
    for _ in range(2):  # the step before the first one has no length
        drive(given, desk, k, n)
        for row in range(6):
            for part in range(3):
                desk.pose[k, 1, row, part] = desk.pose[k, 0, row, part]
    drive(given, desk, k, n)


@compiled(error_model="numpy")
def sampled(given: Given, desk: Desk, found: ThrowResults, k: int, n: Shape) -> None:
    """Keep the places of the nodes at the wanted times of the step that was carried out."""
    book, mark, hand = desk.book, desk.mark, desk.hand
    while mark[k, SAMPLE] < given.times.size and (given.times[mark[k, SAMPLE]] <= book[k, AHEAD]):
        out = found.place[mark[k, MEMBER], mark[k, SAMPLE]]
        back = book[k, AHEAD] - given.times[mark[k, SAMPLE]]
        for row in range(3):
            x = desk.pose[k, 0, 0, row]
            for i in range(n.links + 1):
                own = i * MOTION_ROWS
                if i <= n.first:
                    v = hand[i * DRIVEN_ROWS + CAME + row, k]
                else:
                    v = desk.motion[own + HALF + row, k]
                out[i, row] = x - back * v
                x += desk.motion[own + LINK + row, k]
        mark[k, SAMPLE] += 1


@compiled(error_model="numpy")
def noted_peak(given: Given, desk: Desk, found: ThrowResults, k: int, speed: float) -> bool:
    """Follow the tip's speed to its peak; whether that is passed."""
    step, book, mark, trace = desk.step, desk.book, desk.mark, desk.trace[k]
    member, count = mark[k, MEMBER], mark[k, COUNT]
    book[k, MOST_END] = max(book[k, MOST_END], step[END, k])
    book[k, SHARP] = min(book[k, SHARP], step[FLAT, k])
    reach, away = given.wanted[member, 2], 0.0
    for row in range(3):
        away += (step[TIP + row, k] - desk.hand[BUTT + row, k]) ** 2
    low = reach >= 0.0 and (away < reach**2 or speed < book[k, LEAST])
    if low or count == 0 or speed > trace[mark[k, TOP], 1]:
        if low:
            book[k, LEAST] = speed
        mark[k, TOP] = count
        out = found.result[member]
        out[0], out[1] = speed, book[k, TIME]
        out[2], out[3], out[4] = step[TIP, k], step[TIP + 1, k], step[TIP + 2, k]
        out[5], out[6], out[7] = book[k, MOST_END], book[k, SHARP], book[k, OPEN]
    top = trace[mark[k, TOP], 1]
    return reach >= 0.0 and speed < FALL * top and top > RISE * book[k, LEAST]


@compiled(error_model="numpy")
def accounted(desk: Desk, found: ThrowResults, k: int) -> None:
    """Carry the account of energy on to the time that was reached."""
    step, book, mark = desk.step, desk.book, desk.mark
    power = step[HAND_POWER, k] + book[k, NODES]
    if mark[k, COUNT] > 0:
        span = book[k, TIME] - desk.trace[k, mark[k, COUNT] - 1, 0]
        book[k, WORK] += 0.5 * span * (power + book[k, POWER])
    book[k, POWER] = power
    rest = step[KINETIC, k] + step[HEIGHT, k] - book[k, WORK]
    if mark[k, COUNT] == 0:
        book[k, FIRST] = rest
        found.result[mark[k, MEMBER], 8] = step[KINETIC, k]
    book[k, OPEN] = max(book[k, OPEN], abs(rest - book[k, FIRST]))


@compiled(error_model="numpy")
def closed(desk: Desk, found: ThrowResults, k: int, ill: float) -> None:
    """Fill in a member's last results."""
    mark, trace = desk.mark, desk.trace[k]
    top, count = mark[k, TOP], mark[k, COUNT]
    out = found.result[mark[k, MEMBER]]
    low, high = max(top - AROUND, 0), min(top + AROUND, count)
    out[9] = greatest_mean(trace[:, 0], trace[:, 1], low, high, SHORT_MEAN)
    out[10] = greatest_mean(trace[:, 0], trace[:, 2], 0, top + 1, LONG_MEAN)
    out[11], out[12], out[13] = (1.0 if top < count - 1 else 0.0), float(count), ill


@compiled(error_model="numpy")
def tick(given: Given, desk: Desk, found: ThrowResults, k: int, n: Shape) -> bool:
    """After a step of slot k: note what it reached, prepare the next one. Whether it is done."""
    step, book, mark = desk.step, desk.book, desk.mark
    if mark[k, COUNT] >= 0:
        speed = math.sqrt(step[TIP_V, k] ** 2 + step[TIP_V + 1, k] ** 2 + step[TIP_V + 2, k] ** 2)
        row = desk.trace[k, mark[k, COUNT]]
        row[0], row[1] = book[k, TIME], speed
        row[2] = math.sqrt(step[HAND, k] ** 2 + step[HAND + 1, k] ** 2 + step[HAND + 2, k] ** 2)
        accounted(desk, found, k)
        over = noted_peak(given, desk, found, k, speed)
        mark[k, COUNT] += 1
        ill = 0.0 if speed < math.inf else 1.0
        if ill == 0.0 and mark[k, COUNT] == desk.trace.shape[1]:
            ill = 2.0
        if over or ill > 0.0 or book[k, TIME] > given.wanted[mark[k, MEMBER], 1]:
            closed(desk, found, k, ill)
            return True
    else:
        mark[k, COUNT] = 0
    book[k, NODES] = step[AIR_POWER, k] - step[LOSS, k] - step[STORED, k]
    sampled(given, desk, found, k, n)
    book[k, TIME] = book[k, AHEAD]
    book[k, AHEAD] += step[STEP, k]
    turn = given.fineness[0] / math.sqrt(step[SPIN, k] + 1e-9)
    wave = given.fineness[1] / math.sqrt(step[TONE, k] + 1e-9)
    close = math.sqrt(CLOSE / (step[WORST, k] + 1e-9))
    grown = step[STEP, k] * min(GROWTH, max(close, 0.5))
    step[NEXT, k] = min(min(turn, wave), min(grown, given.fineness[2]))
    drive(given, desk, k, n)
    return False
