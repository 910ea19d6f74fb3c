"""The folded chain whose free end is let go.

Sources: Calkin and March, Am. J. Phys. 57 (1989) 154 (tip speed, support tension, energy kept);
Wong and Yasui, Am. J. Phys. 74 (2006) 490 (fall time 0.847 of free fall). What a finite number of
links makes of it: an independent script, rigid links and point masses, numbers printed below. The
snap at the very end depends on the links and is not tested.
"""

import numpy as np
import pytest

from lashwave.mechanics.air import VACUUM
from lashwave.mechanics.simulate import simulate

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


def run(lines, links, gap, rtol=1e-6):  # type: ignore[no-untyped-def]
    chain = lines.uniform(1.0, 0.1, 0.0, links).with_point_masses()
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
def test_folded_chain_falls_as_published(lines, links, gap, ratio, late) -> None:
    motion = run(lines, links, gap)
    time = motion.time
    fallen = motion.position[0, -1, 2] - motion.position[:, -1, 2]
    end = int(np.argmax(fallen > 0.95))
    speed = np.linalg.norm(motion.velocity[:, -1], axis=1)
    law = np.sqrt(G * AT * (2 - AT) / (1 - AT))
    found = np.interp(AT, fallen[:end], speed[:end])
    assert found / law == pytest.approx(ratio, abs=5e-3)
    assert found / law == pytest.approx(1, abs=1e-2)
    moment = np.interp(0.9, fallen[:end], time[:end])
    assert moment / np.sqrt(1.8 / G) == pytest.approx(late, rel=3e-3)
    # faster than free fall from the first moment on
    assert np.all(fallen[10:end] > 0.5 * G * time[10:end] ** 2)
    # over the passage of four links: support force from its impulse, acceleration from the speed
    for xi in (0.25, 0.5, 0.75):
        a, b = np.searchsorted(fallen[:end], [xi - 4 / links, xi + 4 / links])
        pull = np.diff(motion.accounts.hand_impulse[[a, b], 2])[0] / (time[b] - time[a])
        x = fallen[a : b + 1]
        assert pull / (0.1 * G) == pytest.approx(
            np.mean((2 + 2 * x - 3 * x**2) / (4 * (1 - x))), rel=0.02
        )
        rise = (speed[b] - speed[a]) / (time[b] - time[a])
        assert rise / G == pytest.approx(np.mean((2 - 2 * x + x**2) / (2 * (1 - x) ** 2)), rel=0.02)
    rest = np.abs(motion.accounts.energy_rest[:end]).max()
    assert rest < 1e-4 * 0.1 * G / 4
    last = time[int(np.argmax(speed))]
    # coarser chains fall later: 0.4 % at 80 links, 0.15 % at 160
    assert 0.847213 < last / np.sqrt(2 / G) < 0.847213 * (1 + 0.4 / links)
