"""Folds of a falling chain told apart, and the decay of a real line's swing.

Sources: energy-keeping fold, Calkin and March, Am. J. Phys. 57 (1989) 154; fall time 0.847 of
free fall, Wong and Yasui, Am. J. Phys. 74 (2006) 490; plastic fold, textbook (v^2 = 2 g x). Swing:
Nah et al., IEEE BioRob 2020: 1.8 m, 0.3 kg, 0.45 Hz, decay time 29.24 s over 20 s from 0.2 m.
"""

import numpy as np
import pytest

from benchmarks.hanging_swing import Hanging, decay, drag_rate, friction_needed, pivot_rate
from benchmarks.models import by_quadrature, energy, plastic
from benchmarks.planar_chain import folded_fall
from lashwave.mechanics.air import medium
from lashwave.mechanics.falling_chain import ENERGY, PLASTIC, fall_time, fallen_at, time_ratio
from lashwave.mechanics.law import Law
from lashwave.mechanics.simulation import simulate
from lashwave.quantities.trial import Air
from lashwave.study.fold_evidence import Record, judge
from tests.published.record import derived, read, recalled

CALKIN = recalled("Calkin and March, Am. J. Phys. 57 (1989) 154")
WONG = read("Wong and Yasui, Am. J. Phys. 74 (2006) 490 (85 % of free fall)")
PLASTIC_FALL = recalled("plastic fold, v^2 = 2 g x; Hamel and Cayley, in any textbook")
NAH = read("Nah et al., IEEE BioRob 2020 (measured on a 1.8 m line)")
MODE = derived("Bessel mode of a hanging chain, integrated")
SIMULATED = derived("drag's work on the mode against the forward simulation")

G = 9.80665


def fall_speed(fallen: np.ndarray, length: float) -> np.ndarray:
    """[m/s], by the times in which the free end passes a place."""
    step = 1e-6 * length
    return 2 * step / (fall_time(fallen + step, length, G) - fall_time(fallen - step, length, G))


def test_closed_forms_of_the_fall(check) -> None:
    u = np.array([0.25, 0.5, 0.75, 0.9, 0.95])
    ratio = fall_time(u, 1.0, G) / np.sqrt(2 * u / G)
    printed = [0.976952, 0.948025, 0.909296, 0.877294, 0.863812]
    check("folded chain, time over free fall's, on the way", ratio, printed, CALKIN, abs=1e-6)
    check("folded chain, time over free fall's", time_ratio(ENERGY), 0.847213, WONG, abs=1e-6)
    check("plastic fold, time over free fall's", time_ratio(PLASTIC), 1, PLASTIC_FALL, abs=1e-12)
    speed = fall_speed(u, 1.0) / np.sqrt(G)
    printed = [0.763763, 1.224745, 1.936492, 3.146427, 4.466542]
    check("folded chain, speed over sqrt(g L)", speed, printed, CALKIN, abs=1e-6)
    free = speed / np.sqrt(2 * u)
    printed = [1.080123, 1.224745, 1.581139, 2.345208, 3.240370]
    check("folded chain, speed over free fall's", free, printed, CALKIN, abs=1e-6)
    # chains of 1, 1.02 and 2 m: the whole fall, and the speed at nine tenths of it
    length = np.array([1.0, 1.02, 2.0])
    whole = [fall_time(x, x, G) for x in length]
    check("folded chains of 1, 1.02, 2 m, time", whole, (0.382602, 0.386409, 0.541081), WONG,
          rel=3e-6)  # fmt: skip
    late = [fall_speed(0.9 * x, x) for x in length]
    check("folded chains of 1, 1.02, 2 m, speed", late, (9.85321, 9.95126, 13.93455), CALKIN,
          rel=1e-6)  # fmt: skip
    assert fall_time(fallen_at(0.2, 1.0, G, 0.4), 1.0, G, 0.4) == pytest.approx(0.2, abs=1e-6)
    assert fallen_at(0.2, 1.0, G, PLASTIC) == pytest.approx(0.5 * G * 0.04, rel=1e-6)


@pytest.mark.parametrize("square, ratio, sign", [(energy, 0.847213, 1), (plastic, 1.0, -1)])
def test_each_fold_wins_on_its_own_data(check, square, ratio, sign) -> None:
    time, height = by_quadrature(square)
    noise = 2e-3 * np.random.default_rng(21).standard_normal(time.size)
    found = judge(Record(time, height + noise, 1.0))
    total, error = found.difference
    assert sign * total > 3 * error
    known = WONG if sign > 0 else PLASTIC_FALL
    check.within("each fold's own data, time ratio in its interval", ratio, *found.ratio95, known)
    assert found.noise == pytest.approx(2e-3, rel=0.15)
    assert ("energy-keeping" if sign > 0 else "plastic") in found.sentence()


def test_a_chain_of_links_keeps_its_energy(check) -> None:
    time, height = folded_fall(80, 0.05)
    noise = 2e-3 * np.random.default_rng(22).standard_normal(time.size)
    found = judge(Record(time, height + noise, 1.0, gap=0.05, links=80))
    assert found.difference[0] > 3 * found.difference[1]
    name = "chain of 80 links, time ratio in the interval found"
    check.within(name, 0.847213, *found.ratio95, WONG)


def test_the_real_line_swings_as_long_as_published_and_dies_faster_than_by_drag(check) -> None:
    air = medium(Air())
    taus, rates = [], []
    for diameter in (0.010, 0.015, 0.020):  # not published
        line = Hanging(1.8, 0.3, diameter)
        check("hanging line of 1.8 m, frequency", line.frequency, 0.45, NAH, rel=0.02)
        taus.append(decay(line, air, 0.2, 20.0).constant)
        rates.append(friction_needed(line, air, 0.2, 20.0, 29.24))
        both = decay(line, air, 0.2, 20.0, rates[-1]).constant
        check("hanging line of 1.8 m, decay time met", both, 29.24, NAH, rel=1e-4)
    assert min(taus) > 2 * 29.24
    assert taus[1] == pytest.approx(100, rel=0.2)
    assert all(0.6 < rate * 29.24 < 0.9 for rate in rates)


def test_decay_by_drag_is_what_the_forward_engine_does(lines, check) -> None:
    air = medium(Air())
    chain = lines.uniform(1.8, 0.3, 0.0, 40)
    chain.diameter[:] = 0.015
    line = Hanging(1.8, 0.3, 0.015)
    start = np.stack([0.1 * line.shape(1.8 - chain.station), 0 * chain.station, -chain.station], 1)
    cycle = 1 / line.frequency
    time = np.linspace(0, 8.2 * cycle, 4001)
    run = simulate(chain, lines.still((0, 0, -1)), air, (0, 0, -G), Law(), time, start, rtol=1e-6)
    x = run.position[:, -1, 0]
    tops = [x[(time > (i - 0.3) * cycle) & (time < (i + 0.3) * cycle)].max() for i in range(1, 9)]
    loss = np.log(tops[0] / tops[-1]) / (7 * cycle)
    rate = drag_rate(line, air, float(np.mean(tops)))
    check("loss of a swing by drag", loss, rate, SIMULATED, rel=0.01)
    # and in proportion to the amplitude where the coefficient hardly depends on speed
    assert 1.5 < drag_rate(line, air, 0.2) / drag_rate(line, air, 0.1) < 2


def test_friction_at_the_pivot(check) -> None:
    line = Hanging(1.8, 0.3, 0.015)
    s = np.linspace(0, 1.8, 20001)
    shape = line.shape(s)
    weight = np.trapezoid(shape**2, s) * 0.3 / 1.8
    check("mass of a hanging line's first mode", line.modal_mass, weight, MODE, rel=1e-6)
    slope = (shape[-1] - shape[-2]) / (s[-1] - s[-2])
    assert line.slope == pytest.approx(abs(slope), rel=1e-3)
    assert pivot_rate(line, 0.05) == pytest.approx(0.5 * 0.05 * slope**2 / weight, rel=2e-3)
