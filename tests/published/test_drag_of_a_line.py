"""Drag of lines that are inclined, bent and fast.

Sources: cross-flow principle, Hoerner, Fluid-Dynamic Drag (1965), as NACA TN 2960 cites it; smooth
cylinders at an angle, Taylor, Proc. R. Soc. A 214 (1952) 158; hypersonic limits, Newton's flow, any
textbook; loop of a fly line, Gatti-Bono and Perkins, J. Appl. Mech. 71 (2004) 745; cast lines, a
casting simulation's page (willmanco.se).
"""

from dataclasses import replace

import numpy as np
import pytest

from lashwave.mechanics.accounts import drag_forces
from lashwave.mechanics.air import medium
from lashwave.mechanics.drag import normal_coefficient, tangential_coefficient
from lashwave.mechanics.law import Law
from lashwave.quantities.trial import Air
from tests.published.record import derived, quoted, read, recalled

CROSS_FLOW = quoted("cross-flow principle; Hoerner 1965, cited in NACA TN 2960")
TAYLOR = recalled("Taylor, Proc. R. Soc. A 214 (1952) 158, smooth cylinder")
NEWTON = recalled("Newtonian flow, modified: 2/3 of the stagnation pressure's coefficient")
CASTING = read("casting simulation, willmanco.se: across about 50 times along")
GATTI = derived("Gatti-Bono and Perkins, J. Appl. Mech. 71 (2004) 745, integrals done again")

AIR = medium(Air())
THICK = 2e-3


def force(lines, incidence, speed, law):  # type: ignore[no-untyped-def]
    """Drag across and along [N/m] of a straight line that moves at an angle to itself."""
    chain = lines.uniform(1.0, 0.01, 0.0, 20)
    chain.diameter[:] = THICK
    x = lines.straight(chain, (1.0, 0, 0))[None]
    v = np.zeros_like(x) + speed * np.array([np.cos(incidence), np.sin(incidence), 0.0])
    total = drag_forces(chain, x, v, AIR, law)[0].sum((0, 1))
    assert total[2] == 0.0
    return -total[1], -total[0]


def test_force_across_depends_on_the_speed_across_alone(lines, check) -> None:
    across = []
    for degrees in (90, 60, 30, 10):
        angle = np.radians(degrees)
        across.append(force(lines, angle, 20.0 / np.sin(angle), Law())[0])
    check("inclined line, force at one speed across", across[1:], across[0], CROSS_FLOW, rel=1e-9)
    # and its size is that of a cylinder across the flow
    reynolds = AIR.density * 20.0 * THICK / AIR.viscosity
    head = 0.5 * AIR.density * 20.0**2 * THICK
    law = head * normal_coefficient(reynolds, 20.0 / AIR.sound_speed)
    check("line across the flow, force", across[0], law, CROSS_FLOW, rel=1e-4)


@pytest.mark.parametrize("degrees", [30, 45, 60, 90])
def test_inclined_cylinder_near_taylors(lines, check, degrees) -> None:
    angle, reynolds = np.radians(degrees), 1e3
    speed = reynolds * AIR.viscosity / (AIR.density * THICK)
    head = 0.5 * AIR.density * speed**2 * THICK
    across, along = (f / head for f in force(lines, angle, speed, Law()))
    sine = np.sin(angle)
    taylor = 1.1 * sine**2 + 4 * reynolds**-0.5 * sine**1.5
    check("inclined cylinder, force across", across, taylor, TAYLOR, rel=0.2)
    skin = 5.4 * reynolds**-0.5 * np.cos(angle) * sine**0.5
    assert 0 <= along < skin or degrees == 90  # a line's own law leaves out the cross-flow's part


@pytest.mark.parametrize("mach, limit", [(2.9, 1.167), (6.0, 1.226)])
def test_drag_far_above_sound(check, mach, limit) -> None:
    check("cylinder far above sound", normal_coefficient(1e5, mach), limit, NEWTON, rel=0.1)


def test_across_over_along_for_cast_lines(check) -> None:
    # a line of 1 mm at 10 to 30 m/s
    reynolds = AIR.density * np.array([10.0, 20.0, 30.0]) * 1e-3 / AIR.viscosity
    ratio = [normal_coefficient(r, 0.0) / (np.pi * tangential_coefficient(r)) for r in reynolds]
    check.within("drag across over along, cast line", ratio, 25, 100, CASTING)


def test_drag_of_a_semicircular_loop(lines, check) -> None:
    links, radius, speed = 200, 0.3, 12.0
    chain = lines.uniform(np.pi * radius, 0.01, 0.0, links)
    chain.diameter[:] = 1e-3
    # viscosity so low that both coefficients are all but constant
    air = replace(AIR, viscosity=1e-30, sound_speed=1e12)
    angle = np.linspace(-0.5 * np.pi, 0.5 * np.pi, links + 1)
    out = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    along = np.stack([-np.sin(angle), np.cos(angle), 0 * angle], axis=1)
    v = speed * (np.array([1.0, 0, 0]) + along)  # rolls: at rest above, twice its speed below
    head = 0.5 * air.density * 1e-3 * radius * speed**2
    form, _ = drag_forces(chain, radius * out[None], v[None], air, Law(drag_tangential=0.0))
    form = form.sum((0, 1)) / head
    # int cos^3 = 4 / 3 forward; by symmetry nothing up
    check("rolling loop, form drag along its way", -form[0], 4 / 3, GATTI, rel=1e-3)
    check("rolling loop, form drag across its way", form[1], 0, GATTI, abs=1e-9)
    skin, _ = drag_forces(chain, radius * out[None], v[None], AIR, Law(drag_normal=0.0))
    assert skin.sum((0, 1))[1] < 0
