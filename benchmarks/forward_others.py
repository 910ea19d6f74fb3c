"""Forward simulation beside general codes, each at the cheapest step that is accurate enough.

Run: python -m benchmarks.forward_others [--keep]        (needs the extra `bench`)

A chain of 100 equal links, 2.4 m, 100 g/m at the pivot and 2 at the tip, no air, no bending. It
is let go from rest, straight and level; asked is where its tip is 0.7 s later.
The error is against the same code's own limit at fine steps, so that nobody answers for another's
cut of the line; the limits of codes with rigid links are held beside each other. An elastic rod is
another problem, and is given the stiffness that its step allows.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from benchmarks import figures
from benchmarks.figures import MACHINE, Figure
from lashwave.mechanics import Grip, Law, build, medium, simulate, simulate_quickly
from lashwave.quantities import Air, Line

LINKS, LENGTH, SPAN = 100, 2.4, 0.7
GRAVITY = (0.0, 0.0, -9.81)
ENOUGH = 1e-3
"""Error of the tip's place [m]."""
Found = tuple[np.ndarray, float]
"""Place of the tip [m], CPU s a simulated second."""


def density(s: np.ndarray | float) -> Any:
    """[kg/m]"""
    return 0.1 * 0.02 ** (s / LENGTH)


def own_chain() -> Any:
    """The project's chain of these links."""
    s = np.linspace(0.0, LENGTH, LINKS + 1)
    table = np.linspace(0.0, LENGTH, 20 * LINKS + 1)
    line = Line(table, np.full(table.size, 2e-3), density(table), np.zeros(table.size))
    return build(line, s, line.bending_stiffness)


def own(way: str) -> Callable[[float], Found]:
    """One of the project's ways; asked by tolerance, or by the largest turn of a step."""
    body = own_chain()
    if way == "exact with its mass at the nodes":
        body = body.with_point_masses()
    held = Grip(np.linspace(-1, 2, 7), np.zeros((7, 3)), np.tile([0.0, 0.0, -1.0], (7, 1)))
    start = body.station[:, None] * np.array([1.0, 0.0, 0.0])
    law = Law(0.0, 0.0, 0.0, 0.0, 0.0)

    def ask(fine: float) -> Found:
        given = (body, held, medium(Air()), GRAVITY, law, (0.0, SPAN), start)
        begin = time.process_time()
        if way == "leapfrog":
            found = simulate_quickly(*given, fineness=(fine, 5.0 * fine, 1e-3))
        else:
            found = simulate(*given, rtol=fine, implicit=way == "implicit")
        return found.position[-1, -1], (time.process_time() - begin) / SPAN

    return ask


def mujoco(integrator: str) -> Callable[[float], Found]:
    """A chain of hinges; asked by step [s]."""
    import mujoco as code

    apart, text = LENGTH / LINKS, ""
    for i in range(LINKS):
        ends = density(i * apart), density((i + 1) * apart)
        mass = apart * (ends[1] - ends[0]) / np.log(ends[1] / ends[0])
        place = 0.0 if i == 0 else apart
        text += (
            f'<body pos="{place} 0 0"><joint type="hinge" axis="0 1 0" damping="0"/>'
            f'<geom type="cylinder" size="1e-4" fromto="0 0 0 {apart} 0 0" mass="{mass}"/>'
        )
    text += f'<site name="tip" pos="{apart} 0 0"/>'

    def ask(step: float) -> Found:
        model = code.MjModel.from_xml_string(
            f'<mujoco><option timestep="{step}" integrator="{integrator}"><flag contact="disable"/>'
            f'</option><compiler boundmass="0" boundinertia="0"/>'
            f"<worldbody>{text}{'</body>' * LINKS}</worldbody></mujoco>"
        )
        data = code.MjData(model)
        begin = time.process_time()
        for _ in range(round(SPAN / step)):
            code.mj_step(model, data)
        cost = (time.process_time() - begin) / SPAN
        code.mj_kinematics(model, data)
        good = np.isfinite(data.qpos).all() and not data.warning.number.any()
        return (data.site("tip").xpos.copy() if good else np.full(3, np.nan)), cost

    return ask


def elastica(step: float) -> Found:
    """A Cosserat rod of the same mass, axially 200 times softer than a line would be."""
    import elastica as code

    class Bench(code.BaseSystemCollection, code.Constraints, code.Forcing):  # type: ignore[misc]
        pass

    bench = Bench()
    middle = (np.arange(LINKS) + 0.5) * LENGTH / LINKS
    radius = np.sqrt(density(middle) / 900.0 / np.pi)
    rod = code.CosseratRod.straight_rod(
        LINKS, np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), LENGTH, radius, 900.0,
        youngs_modulus=3e7, shear_modulus=1e7,
    )  # fmt: skip
    bench.append(rod)
    bench.constrain(rod).using(
        code.GeneralConstraint, constrained_position_idx=(0,), constrained_director_idx=(0,),
        translational_constraint_selector=np.ones(3, dtype=bool),
        rotational_constraint_selector=np.zeros(3, dtype=bool),
    )  # fmt: skip
    bench.add_forcing_to(rod).using(code.GravityForces, acc_gravity=np.array(GRAVITY))
    bench.finalize()
    stepper = code.PositionVerlet()
    begin = time.process_time()
    code.integrate(stepper, bench, SPAN, round(SPAN / step), progress_bar=False)
    cost = (time.process_time() - begin) / SPAN
    return rod.position_collection[:, -1].copy(), cost


def series(name: str, ask: Callable[[float], Found], steps: Sequence[float], unit: str
           ) -> tuple[Figure, np.ndarray]:  # fmt: skip
    """The cheapest of some steps that is accurate enough, and the place at the finest of them."""
    ask(steps[0])  # what is compiled or loaded at first
    found = [ask(step) for step in steps]
    limit = found[-1][0]
    off = [float(np.linalg.norm(place - limit)) for place, _ in found[:-1]]
    for step, error, (_, cost) in zip(steps, off, found, strict=False):
        print(
            f"{name:36s} {step:9.1e} {unit:5s} {1e3 * error:10.3f} mm {cost:9.3f} s/s", flush=True
        )
    good = [(cost, step, e) for step, e, (_, cost) in zip(steps, off, found, strict=False)
            if e <= ENOUGH]  # fmt: skip
    if not good:
        return Figure(f"{name}: CPU s a simulated second", MACHINE, 1, None,
                      beside="no step was accurate to 1 mm"), limit  # fmt: skip
    cost, step, error = min(good)
    beside = f"tip off by {1e3 * error:.2g} mm at {step:g} {unit}".strip()
    return Figure(f"{name}: CPU s a simulated second", MACHINE, 1, cost, beside=beside), limit


def main() -> None:
    tolerances = (1e-2, 3e-3, 1e-3, 3e-4, 1e-4, 3e-5, 1e-5, 1e-6, 1e-9)
    turns = (0.4, 0.2, 0.1, 0.05, 0.025, 0.0125, 0.003)
    long = (2e-3, 1e-3, 5e-4, 2e-4, 1e-4, 5e-5, 2.5e-5)
    rows, limits = [], {}
    for name, ask, steps, unit in (
        ("leapfrog", own("leapfrog"), turns, "rad"),
        ("implicit", own("implicit"), tolerances, ""),
        ("explicit", own("explicit"), tolerances, ""),
    ):
        row, limits[name] = series(name, ask, steps, unit)
        rows.append(row)
    try:
        for integrator in ("RK4", "implicitfast"):
            name = f"MuJoCo, {integrator}"
            row, limits[name] = series(name, mujoco(integrator), long, "s")
            rows.append(row)
        row, _ = series("PyElastica's rod", elastica, (6e-6, 4e-6, 2e-6), "s")
        rows.append(row)
    except ImportError as missing:
        print(missing)
    apart = {n: 1e3 * float(np.linalg.norm(p - limits["explicit"])) for n, p in limits.items()}
    said = ", ".join(f"{name} {value:.2g}" for name, value in apart.items() if name != "explicit")
    print(f"limits beside that of the explicit way [mm]: {said}")
    if "--keep" in sys.argv[1:]:
        notes = [
            "The cheapest step by which the tip is within 1 mm of the same code's own limit 0.7 s "
            f"after it was let go. Limits beside the explicit way's [mm]: {said}. The leapfrog has "
            "its mass at the nodes, which is another cut of the line; the rod is elastic."
        ]
        figures.save("forward-others", "A falling chain of 100 links, general codes", rows, notes,
                     typed="python -m benchmarks.forward_others --keep")  # fmt: skip


if __name__ == "__main__":
    main()
