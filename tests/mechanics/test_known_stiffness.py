"""How well bending stiffness is known before a line moves.

Sources: bounds of a bundle, textbook beam theory (a bundle of free fibres, a solid rod); a bullwhip
of 1.8 m and 0.3 kg, Nah, Krotov, Russo, Sternad and Hogan, IEEE BioRob 2020 (read): joints of
0.242 N m/rad every 72 mm in the model that they fitted. Its diameter is not stated: from its mass,
solid leather being 860 to 1020 kg/m3 (recalled) and a plait holding some air.
"""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.mechanics.known_stiffness import guessed, known_stiffness
from lashwave.quantities.line import Line
from lashwave.quantities.stiffness import Source
from lashwave.twin.chosen import CHOSEN
from lashwave.twin.throws import draw_held, draw_swing, draw_throw

SEEDS = range(200)


def misses(lash):
    """z-scores of the true stiffness at the rows of the flexible line, by the guess for it."""
    guess = guessed(replace(lash.stated, bending_stiffness=None))
    free = lash.true.station > lash.true.handle_length
    return (np.log(lash.true.bending_stiffness / guess.value) / guess.log_sd)[free]


def whip(density):
    """The bullwhip's line and stiffness, plaited to a density [kg/m3]."""
    mass = 0.3 / 1.8
    size = np.sqrt(4 * mass / (np.pi * density))
    return Line(np.array([0, 1.8]), np.full(2, size), np.full(2, mass)), 0.242 * 0.072


def test_the_guess_lies_midway_between_a_rod_and_loose_fibres():
    """Both bounds from beam theory, for polyester of 10 GPa and 1380 kg/m3 (recalled)."""
    modulus, density, fibre, size = 10e9, 1380.0, 20e-6, 3e-3
    count = 0.6 * (size / fibre) ** 2  # 60 % of the section is fibre
    mass = density * count * np.pi / 4 * fibre**2
    loose = count * modulus * np.pi / 64 * fibre**4
    rod = 0.6 * modulus * np.pi / 64 * size**4
    line = Line(np.array([0.0, 1.0]), np.full(2, size), np.full(2, mass))
    guess = guessed(line)
    assert guess.value == pytest.approx(np.sqrt(loose * rod) * 3e6 / (modulus / density), rel=1e-9)
    for bound in (loose, rod):
        z = np.log(bound / guess.value[0]) / guess.log_sd
        assert 2.0 < abs(z) < 3.7, "a bound is neither likely nor out of the question"


@pytest.mark.parametrize("density", [600.0, 800.0, 1000.0])
def test_a_real_whip_is_within_the_guess(density):
    line, stiffness = whip(density)
    guess = guessed(line)
    assert abs(np.log(stiffness / guess.value[0])) < 1.0 * guess.log_sd


def test_the_guess_holds_the_lines_of_the_bench_and_is_not_trivially_wide():
    """Inside 95 % at more than 95 % of all rows, and still an uncertainty of their own size."""
    lashes = {
        "throw": [draw_throw(seed).lash for seed in CHOSEN],
        "swing": [draw_swing(seed).lash for seed in SEEDS],
        "held": [draw_held(seed).lash for seed in SEEDS],
    }
    for kind, of_kind in lashes.items():
        z = np.concatenate([misses(lash) for lash in of_kind])
        assert np.mean(np.abs(z) < 1.96) > 0.95, kind
        rms = np.sqrt(np.mean(z**2))
        assert 0.25 < rms < 1.2, kind


def test_a_column_is_taken_as_it_stands():
    line = Line(np.array([0.0, 1.0]), np.full(2, 3e-3), np.full(2, 1e-2), np.array([1e-4, 2e-4]))
    known = known_stiffness(line)
    assert known.source is Source.COLUMN and not known.guessed
    assert np.array_equal(known.value, [1e-4, 2e-4]) and known.log_sd == pytest.approx(0.1)
    stated = replace(line, column_sd={"bending_stiffness": np.array([1e-5, 6e-5])})
    assert known_stiffness(stated).log_sd == pytest.approx(0.2)
    assert known_stiffness(replace(line, bending_stiffness=None)).guessed
