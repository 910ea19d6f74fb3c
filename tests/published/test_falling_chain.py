"""The folded chain whose free end is let go.

Sources: Calkin and March, Am. J. Phys. 57 (1989) 154 (tip speed, support tension, energy kept);
Wong and Yasui, Am. J. Phys. 74 (2006) 490 (fall time 0.847 of free fall); Lee, Chen and Hu,
arXiv 1812.06942 (finer chains fall faster); Tomaszewski, Pieranski and Geminard, Am. J. Phys. 74
(2006) 776 (ends far apart: free fall); Biezeveld, The Physics Teacher 41 (2003) (with a jumper).
What a finite number of links makes of it: an independent script, rigid links and point masses,
numbers printed below. The snap at the very end depends on the links and is not tested.
"""

import numpy as np
import pytest

from lashwave.mechanics.simulation import simulate
from tests.mechanics.vacuum import VACUUM
from tests.published.record import derived, read, recalled

CALKIN = recalled("Calkin and March, Am. J. Phys. 57 (1989) 154")
WONG = read("Wong and Yasui, Am. J. Phys. 74 (2006) 490 (85 % of free fall)")
SCRIPT = derived("rigid links and point masses, an independent script of ours")
FASTER = read("Schagerl et al., Acta Mech. 125 (1997) 155; de Sousa et al., arXiv 1110.6035")
FINER = read("Lee, Chen and Hu, arXiv 1812.06942")
APART = recalled("Tomaszewski, Pieranski and Geminard, Am. J. Phys. 74 (2006) 776")
BUNGEE = read("Biezeveld, The Bungee Jumper, citing Kagan and Kott")

G = 9.80665
AT = np.array([0.25, 0.5, 0.75, 0.9])


def folded(links: int, gap: float) -> np.ndarray:
    """Nodes of a chain of unit length that hangs folded from the origin, arms `gap` apart."""
    fine = np.linspace(0, 1, 20001)
    arm = 0.5 * (1 - 0.5 * np.pi * gap)
    turn = np.clip((fine - arm) / (0.5 * gap), 0, np.pi)
    slope = np.stack([np.sin(turn), 0 * turn, -np.cos(turn)], axis=1)
    place = np.vstack([np.zeros(3), np.cumsum(0.5 * (slope[1:] + slope[:-1]) / 20000, axis=0)])
    return np.stack([np.interp(np.linspace(0, 1, links + 1), fine, c) for c in place.T], axis=1)


def run(lines, links, gap, rtol=1e-6, jumper=0.0):  # type: ignore[no-untyped-def]
    """jumper: mass at the free end [kg]; the chain has 0.1 kg and 1 m."""
    chain = lines.uniform(1.0, 0.1, 0.0, links).with_point_masses()
    chain.link_mass[-1, 2] += jumper
    time = np.linspace(0, 0.3845, 3846)
    return simulate(
        chain, lines.still((0, 0, -1)), VACUUM, (0, 0, -G), None, time, folded(links, gap),
        rtol=rtol,
    )  # fmt: skip


@pytest.mark.parametrize(
    "links, gap, ratio, late",
    [
        (80, 0.05, [0.998, 0.997, 0.995, 0.994], 0.8786),
        (160, 0.025, [0.9985, 0.9977, 0.9968, 0.9957], 0.8783),
    ],
)
def test_folded_chain_falls_as_published(lines, check, links, gap, ratio, late) -> None:
    motion = run(lines, links, gap)
    time = motion.time
    fallen = motion.position[0, -1, 2] - motion.position[:, -1, 2]
    end = int(np.argmax(fallen > 0.95))
    speed = np.linalg.norm(motion.velocity[:, -1], axis=1)
    law = np.sqrt(G * AT * (2 - AT) / (1 - AT))
    found = np.interp(AT, fallen[:end], speed[:end])
    check("falling chain, speed of its links' own law", found / law, ratio, SCRIPT, abs=5e-3)
    check("falling chain, speed", found / law, 1, CALKIN, rel=1e-2)
    moment = np.interp(0.9, fallen[:end], time[:end])
    check("falling chain, time to 0.9 L", moment / np.sqrt(1.8 / G), late, SCRIPT, rel=3e-3)
    # faster than free fall from the first moment on
    ahead = fallen[10:end] / (0.5 * G * time[10:end] ** 2)
    check.within("falling chain, way over free fall's", ahead, 1, 1.5, FASTER)
    rest = np.abs(motion.accounts.energy_rest[:end]).max()
    assert rest < 1e-4 * 0.1 * G / 4


def test_pull_and_acceleration_of_a_falling_chain(lines, check) -> None:
    links = 320
    motion = run(lines, links, 0.03)  # 15 links in the fold
    time = motion.time
    fallen = motion.position[0, -1, 2] - motion.position[:, -1, 2]
    speed = np.linalg.norm(motion.velocity[:, -1], axis=1)
    # over the passage of four links: support force from its impulse, acceleration from the speed
    pulls, rises, laws = [], [], []
    for xi in (0.02, 0.25, 0.5, 0.75, 0.9):
        end = int(np.argmax(fallen > 0.95))
        a, b = np.searchsorted(fallen[:end], [xi - 4 / links, xi + 4 / links])
        lasts = time[b] - time[a]
        x = fallen[a : b + 1]
        pulls.append(np.diff(motion.accounts.hand_impulse[[a, b], 2])[0] / lasts / (0.1 * G))
        rises.append((speed[b] - speed[a]) / lasts / G)
        law = (2 + 2 * x - 3 * x**2) / (4 * (1 - x)), (2 - 2 * x + x**2) / (2 * (1 - x) ** 2)
        laws.append([np.mean(part) for part in law])
    check("falling chain, support's pull", pulls, np.array(laws)[:, 0], CALKIN, rel=0.02)
    check("falling chain, tip's acceleration", rises, np.array(laws)[:, 1], CALKIN, rel=0.02)


def test_finer_chains_fall_faster_down_to_the_law(lines, check) -> None:
    late = []
    for links in (80, 160, 320):
        motion = run(lines, links, 4 / links)
        last = motion.time[np.linalg.norm(motion.velocity[:, -1], axis=1).argmax()]
        late.append(last / np.sqrt(2 / G) / 0.847213)
    assert np.all(np.diff(late) < 0)
    check("falling chain of 320 links, time", late[-1], 1, WONG, rel=3e-3)
    # every halving of links and fold brings it nearer to the law, from above
    steps = (np.array(late[1:]) - 1) / (np.array(late[:-1]) - 1)
    check.within("falling chain, error left by halving", steps, 0, 0.7, FINER)


def test_greatest_pull_of_a_falling_chain_is_of_the_order_measured(lines, check) -> None:
    motion = run(lines, 81, 0.05)
    fallen = motion.position[0, -1, 2] - motion.position[:, -1, 2]
    pull = motion.hand_force[int(np.argmax(fallen > 0.98959)), 2] / (0.1 * G)
    # 25 times the weight with one link left, within half an order of magnitude
    check.within("chain of 81 links, pull over weight, one left", pull, 7.9, 79, CALKIN)


def test_ends_far_apart_fall_freely_and_close_ones_by_the_law(lines, check) -> None:
    length, depth = 1.022, np.array([0.1, 0.3, 0.5, 0.7])
    chain = lines.uniform(length, 0.1, 0.0, 60)
    level = lines.straight(chain, (1.0, 0, 0))
    time = np.linspace(0, 0.4, 2001)
    motion = simulate(
        chain, lines.still((1, 0, 0)), VACUUM, (0, 0, -G), None, time, level, rtol=1e-6
    )
    free = np.interp(depth, -motion.position[:, -1, 2], time) / np.sqrt(2 * depth / G)
    check("chain let go level, time over free fall's", free, 1, APART, rel=1e-3)
    ratio = []
    for gap in (0.1, 0.05, 0.025):
        motion = run(lines, 160, gap)
        fallen = motion.position[0, -1, 2] - motion.position[:, -1, 2]
        end = int(np.argmax(fallen > 0.8))
        ratio.append(np.interp(0.75, fallen[:end], motion.time[:end]) / np.sqrt(1.5 / G))
    assert np.all(np.diff(ratio) > 0)
    check("folded chain with a gap of 2.5 %, time", ratio[-1], 0.909296, CALKIN, rel=3e-3)


def test_a_jumper_at_the_end_of_a_folded_chain(lines, check) -> None:
    jumper = 0.2
    motion = run(lines, 160, 0.025, jumper=jumper)
    fallen = motion.position[0, -1, 2] - motion.position[:, -1, 2]
    speed = np.linalg.norm(motion.velocity[:, -1], axis=1)
    at = np.array([0.25, 0.5, 0.7])
    end = int(np.argmax(fallen > 0.72)) or fallen.size
    found = np.interp(at, fallen[:end], speed[:end])
    m, big = 0.1, jumper
    law = np.sqrt(G * at * (4 * big + 2 * m - m * at) / (m - m * at + 2 * big))
    check("jumper on a folded line, speed", found, law, BUNGEE, rel=3e-3)
