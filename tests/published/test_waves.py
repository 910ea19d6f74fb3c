"""Waves on strings, chains and stiff lines.

Sources: taut string, Mersenne 1636; stiff string, Fletcher, J. Acoust. Soc. Am. 36 (1964) 203;
waves of any shape on an ideal string, Routh, Dynamics of a System of Rigid Bodies, and Aitken
(cited by Biggins, arXiv 1401.5810, and by Dehadrai and Hanna, arXiv 2509.12389); pulse on a tapered
line, Graff, Wave Motion in Elastic Solids (1975); pulse on a hanging chain, c = sqrt(g s); bending
waves, any textbook.
"""

import numpy as np
import pytest
from scipy.signal import hilbert

from lashwave.mechanics.grip import Grip
from lashwave.mechanics.law import Law
from lashwave.mechanics.simulation import simulate
from tests.mechanics.vacuum import VACUUM
from tests.published.record import derived, read, recalled

MERSENNE = read("Mersenne 1636/37, f = n / (2 L) sqrt(T / mu)")
FLETCHER = recalled("Fletcher, J. Acoust. Soc. Am. 36 (1964) 203")
ROUTH = recalled("Routh; Aitken: any shape runs unchanged at sqrt(T / mu)")
GRAFF = recalled("Graff, Wave Motion in Elastic Solids (1975), slowly varying string")
HANGING = derived("pulse at the local speed sqrt(g s), s the height over the free end")
BENDING = recalled("bending waves, omega = k^2 sqrt(B / mu), any textbook")
ALONG = (1.0, 0.0, 0.0)


@pytest.mark.parametrize(
    "stiffness, printed, source",
    [
        (0.0, [15.811388, 31.622777, 47.434165, 63.245553], MERSENNE),
        (1e-3, [15.81919, 31.68514, 47.64437], FLETCHER),
    ],
    ids=["limp", "stiff"],
)
def test_taut_string(lines, check, stiffness, printed, source) -> None:
    # 10 N pulled by a weight a thousand times heavier than the string, which hardly swings itself
    chain = lines.uniform(1.0, 0.01, stiffness, 120)
    chain.link_mass[-1, 2] += 10.0
    found = lines.frequencies(
        chain, lines.straight(chain, ALONG), lines.still(ALONG), (1.0, 0, 0), count=5
    )
    found = found[1 : 1 + len(printed)] / (2 * np.pi)  # the first is the weight's own swing
    name = "stiff string, three frequencies" if stiffness else "taut string, four frequencies"
    check(name, found, printed, source, rel=1e-3)


def _bump(lines, at):  # type: ignore[no-untyped-def]
    """A line of 2.4 m with a bump 0.16 m wide that leans by up to 57 degrees: nodes, tangents."""
    chain = lines.uniform(2.4, 0.024, 0.0, 480)
    fine = np.linspace(0, 2.4, 40001)
    u = (fine - at) / 0.08
    lean = -np.sqrt(2 * np.e) * u * np.exp(-u * u)
    slope = np.stack([np.cos(lean), 0 * lean, np.sin(lean)], axis=1)
    place = np.vstack([np.zeros(3), np.cumsum(0.5 * (slope[1:] + slope[:-1]), axis=0) * fine[1]])
    return chain, *(
        np.stack([np.interp(chain.station, fine, c) for c in field.T], axis=1)
        for field in (place, slope)
    )


def _moving(place, velocity):  # type: ignore[no-untyped-def]
    """An end that passes `place` at time 0 with an even velocity."""
    place, velocity = np.asarray(place), np.asarray(velocity)
    ends = np.stack([place - velocity, place + velocity])
    return Grip(np.array([-1.0, 1.0]), ends, np.tile([1.0, 0, 0], (2, 1)))


def test_a_wave_of_any_shape_runs_unchanged(lines, check) -> None:
    c = 3.0
    chain, start, slope = _bump(lines, 0.4)
    time = np.linspace(0, 1.6 / c, 401)  # ten widths of the bump

    def run(hand):  # type: ignore[no-untyped-def]
        motion = simulate(
            chain, _moving(start[0], hand), VACUUM, (0, 0, 0), Law(damping_time=0), time, start,
            c * (np.array([1.0, 0, 0]) - slope) + hand, far=_moving(start[-1], hand), rtol=1e-6,
            implicit=False,
        )  # fmt: skip
        weight = motion.position[:, :, 2] ** 2
        return motion, weight / weight.sum(1, keepdims=True)

    motion, weight = run(np.zeros(3))
    way = weight @ chain.station
    check("wave of any shape, way over ten widths", way[-1] - way[0], 1.6, ROUTH, rel=5e-3)
    taut = np.nanmedian(motion.tension) / 0.01
    check("wave of any shape, speed squared", c * c, taut, ROUTH, rel=5e-3)
    near = np.abs(chain.station - way[-1]) < 0.4
    before = np.interp(
        chain.station[near] + way[0] - way[-1], chain.station, motion.position[0, :, 2]
    )
    change = np.abs(motion.position[-1, near, 2] - before) / before.max()
    check("wave of any shape, change over its height", change, 0, ROUTH, abs=1e-2)
    # the line drawn back at the wave's own speed: the wave stands still
    motion, weight = run(np.array([-c, 0, 0]))
    place = (weight * motion.position[:, :, 0]).sum(1)
    drift = (place[-1] - place[0]) / (c * time[-1])
    check("wave on a line that runs at its speed, drift", drift, 0, ROUTH, abs=5e-3)


def _top(time, signal):  # type: ignore[no-untyped-def]
    """When a pulse is highest and how high, by the parabola through three samples."""
    i = int(np.argmax(signal))
    a, b, c = signal[i - 1 : i + 2]
    return time[i] + 0.5 * (a - c) / (a - 2 * b + c) * (time[1] - time[0]), b


def test_pulse_on_a_tapered_line(lines, check) -> None:
    length, pull, width = 6.0, 10.0, 0.012

    def density(x):  # type: ignore[no-untyped-def]
        return 0.04 * 16.0 ** -np.clip((x - 0.15) / 0.7, 0, 1)

    chain = lines.tapered(length, density, lambda x: 0 * x, 240, rows=4001)
    chain.link_mass[-1, 2] += 50.0  # a weight so heavy that its pull does not waver
    time = np.linspace(-4 * width, 0.3, 1501)
    hand = np.stack([0 * time, 2e-4 * np.exp(-((time / width) ** 2)), 0 * time], axis=1)
    grip = Grip(time, hand, np.tile([1.0, 0, 0], (time.size, 1)))
    motion = simulate(
        chain, grip, VACUUM, (pull / 50, 0, 0), None, time, lines.straight(chain, ALONG), rtol=1e-6
    )
    nodes = [int(np.argmin(np.abs(chain.station - x * length))) for x in (0.12, 0.88)]
    (first, low), (last, high) = (_top(time, motion.position[:, j, 1]) for j in nodes)
    s = np.linspace(*chain.station[nodes], 4001)
    law = np.trapezoid(np.sqrt(density(s / length) / pull), s)
    check("pulse on a tapered line, time", last - first, law, GRAFF, rel=0.01)
    check("pulse on a tapered line, height", high / low, 2.0, GRAFF, rel=0.05)


def test_pulse_runs_up_a_hanging_chain_at_its_local_speed(lines, check) -> None:
    chain = lines.uniform(1.0, 0.1, 0.0, 200)
    g = 9.80665
    time = np.linspace(-0.1, 0.5, 2401)
    hand = np.stack([5e-3 * np.exp(-((time / 0.025) ** 2)), 0 * time, 0 * time], axis=1)
    grip = Grip(time, hand, np.tile([0.0, 0, -1], (time.size, 1)))
    motion = simulate(chain, grip, VACUUM, (0, 0, -g), None, time, lines.straight(chain), rtol=1e-6)
    above = 1 - chain.station  # height over the free end
    nodes = [int(np.argmin(np.abs(above - height))) for height in (0.95, 0.1)]
    first, last = (_top(time, motion.position[:, j, 0])[0] for j in nodes)
    # 0.638660 s for the whole metre, 2 sqrt(L / g)
    share = np.sqrt(above[nodes[0]]) - np.sqrt(above[nodes[1]])
    check(
        "pulse on a hanging chain, whole time", (last - first) / share, 0.638660, HANGING, rel=5e-3
    )


def test_bending_waves_and_their_group(lines, check) -> None:
    length, mass, stiffness, wave, spread = 3.0, 0.01, 1e-3, 2 * np.pi / 0.15, 0.18
    chain = lines.uniform(length, mass * length, stiffness, 300)
    x = np.linspace(-6, 9, 8192, endpoint=False)
    k = 2 * np.pi * np.fft.fftfreq(x.size, x[1] - x[0])
    packet = 2e-4 * np.exp(-0.5 * ((x - 0.7) / spread) ** 2) * np.exp(1j * wave * (x - 0.7))
    rate = np.sqrt(stiffness / mass)
    moving = np.fft.ifft(-1j * rate * k**2 * np.fft.fft(packet))
    s = chain.station
    start = np.stack([s, np.interp(s, x, packet.real), 0 * s], axis=1)
    speed = np.stack([0 * s, np.interp(s, x, moving.real), 0 * s], axis=1)
    time = np.linspace(0, 1.3 / (2 * wave * rate), 201)
    motion = simulate(
        chain, None, VACUUM, (0, 0, 0), Law(damping_time=0), time, start, speed, rtol=1e-6,
        implicit=False,
    )  # fmt: skip
    signal = hilbert(motion.position[:, :, 1], axis=1)
    weight = np.abs(signal) ** 2
    group = np.polyfit(time, (weight @ s) / weight.sum(1), 1)[0]
    turns = np.unwrap(np.angle(signal @ np.exp(-1j * wave * s)))
    phase = -np.polyfit(time, turns, 1)[0] / wave
    check("bending wave, phase speed", phase, wave * rate, BENDING, rel=0.01)
    check("bending wave, group over phase speed", group / phase, 2.0, BENDING, rel=0.01)
