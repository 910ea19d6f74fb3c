"""Cost of forward simulation: CPU seconds a simulated second, beside general codes.

Run: python -m benchmarks.forward [--keep]

The first table runs one throw at falling tolerance and states the error of its peak tip speed
against a converged step of the same links. The other codes swing a chain of the same number of
links at one fixed step near the longest that stayed finite here; their accuracy is not matched, so
the comparison favours them.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from benchmarks import figures
from benchmarks.figures import MACHINE, Figure
from benchmarks.throw import GRAVITY, SPAN, chain, grip, run
from lashwave.mechanics.air import medium
from lashwave.mechanics.law import Law
from lashwave.mechanics.quick import simulate_quickly
from lashwave.mechanics.rates import derivative, room
from lashwave.mechanics.simulation import setup, start_state
from lashwave.quantities.trial import Air

LINKS = 100


def throw_table() -> list[Figure]:
    """Error of the peak and cost, by tolerance."""
    kept = []
    body = chain(LINKS)
    run(body, 1e-2, True, 2), run(body, 1e-2, False, 2)  # compile
    exact = run(body, 1e-8, False)[1]
    print(f"{LINKS} links, converged peak {exact:.3f} m/s")
    print(
        "way        rtol   error of peak   CPU s / s   steps   accounts left open: energy, momentum"
    )
    for implicit in (False, True):
        for rtol in (1e-3, 1e-4, 3e-5, 1e-5, 3e-6, 1e-6):
            peak = run(body, rtol, implicit)[1]
            start = time.process_time()
            motion = run(body, rtol, implicit, 2)[0]
            cost = (time.process_time() - start) / SPAN
            name = "implicit" if implicit else "explicit"
            book = motion.accounts
            energy = np.abs(book.energy_rest).max() / book.kinetic.max()
            push = np.abs(book.momentum_rest).max() / np.abs(book.momentum).max()
            print(f"{name} {rtol:8.0e} {peak / exact - 1:+13.2%} {cost:13.3f} {motion.steps[0]:9d} "
                  f"{energy:16.1e} {push:9.1e}")  # fmt: skip
            off = abs(peak / exact - 1)
            kept.append(
                Figure(f"{name}, tolerance {rtol:.0e}: CPU s a simulated second", MACHINE, 1, cost,
                       goal="0.05 at 0.5 % of the peak", met=cost <= 0.05 and off <= 5e-3,
                       beside=f"peak off by {off:.2%}")
            )  # fmt: skip
    kept += quick_rows()
    return kept


def quick_rows() -> list[Figure]:
    """The leapfrog against a converged step of the same chain with its mass at the nodes."""
    kept = []
    body = chain(LINKS)
    exact = run(body.with_point_masses(), 1e-8, False)[1]
    fine = np.concatenate([np.linspace(0, 0.68, 69)[:-1], np.linspace(0.68, SPAN, 3501)])
    ends = np.array([0.0, SPAN])
    for turn, phase in ((0.1, 0.5), (0.05, 0.25), (0.04, 0.25), (0.025, 0.125)):
        given = (body, grip(), medium(Air()), GRAVITY, Law())
        motion = simulate_quickly(*given, fine, fineness=(turn, phase, 1e-3))
        off = np.linalg.norm(motion.velocity[:, -1], axis=1).max() / exact - 1
        start = time.process_time()
        simulate_quickly(*given, ends, fineness=(turn, phase, 1e-3))
        cost = (time.process_time() - start) / SPAN
        print(f"leapfrog {turn:8.3f} rad {off:+13.2%} {cost:13.3f} {motion.steps[0]:9d}")
        kept.append(
            Figure(f"leapfrog, {turn:g} rad a step: CPU s a simulated second", MACHINE, 1, cost,
                   goal="0.05 at 0.5 % of the peak", met=bool(cost <= 0.05 and abs(off) <= 5e-3),
                   beside=f"peak off by {abs(off):.2%}")
        )  # fmt: skip
    return kept


def step_table() -> None:
    """Cost of one evaluation of all accelerations."""
    print("links   microseconds an evaluation   a link")
    for links in (50, 100, 200, 400):
        body = chain(links)
        ready = setup(body, grip(), medium(Air()), GRAVITY, Law())
        start = -body.station[:, None] * np.array([0.1, 0.0, 1.0])
        state = start_state(body, ready, start, np.cumsum(np.ones_like(start), axis=0) * 0.05)
        slope, space = np.empty_like(state), room(body.links)
        derivative(ready, 0.4, state, slope, space)
        begin = time.process_time()
        for _ in range(3000):
            derivative(ready, 0.4, state, slope, space)
        each = (time.process_time() - begin) / 3000 * 1e6
        print(f"{body.links:5d} {each:20.1f} {each / body.links:18.3f}")


def mujoco_cost(kind: str, step: float, span: float) -> float | None:
    """CPU s a simulated second of MuJoCo's chain with hinge or ball joints; None if it diverged."""
    import mujoco

    length = 2.4 / LINKS
    joint = 'type="hinge" axis="0 1 0"' if kind == "hinge" else 'type="ball"'
    text = ""
    for i in range(LINKS):
        mass = 0.1 * 0.02 ** (i / LINKS) * length
        place = 0.0 if i == 0 else -length
        text += (
            f'<body pos="0 0 {place}"><joint {joint} damping="1e-6" stiffness="0"/>'
            f'<geom type="capsule" size="0.001" fromto="0 0 0 0 0 {-length}" mass="{mass}"/>'
        )
    xml = (
        f'<mujoco><option timestep="{step}" integrator="RK4"><flag contact="disable"/></option>'
        f"<worldbody>{text}{'</body>' * LINKS}</worldbody></mujoco>"
    )
    model = mujoco.MjModel.from_xml_string(xml)
    data = mujoco.MjData(model)
    data.qvel[0] = 3.0
    begin = time.process_time()
    for _ in range(int(span / step)):
        mujoco.mj_step(model, data)
    good = np.all(np.isfinite(data.qpos)) and not data.warning.number.any()
    return (time.process_time() - begin) / span if good else None


def pyelastica_cost(span: float) -> float | None:
    """CPU s a simulated second of a PyElastica rod under gravity; None if it diverged."""
    import elastica as ea

    class Bench(ea.BaseSystemCollection, ea.Constraints, ea.Forcing):  # type: ignore[misc]
        pass

    bench = Bench()
    radius = np.linspace(5e-3, 1e-3, LINKS)
    rod = ea.CosseratRod.straight_rod(
        LINKS, np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), 2.4, radius, 900.0,
        youngs_modulus=3e7, shear_modulus=1e7,
    )  # fmt: skip
    bench.append(rod)
    bench.constrain(rod).using(
        ea.OneEndFixedBC, constrained_position_idx=(0,), constrained_director_idx=(0,)
    )
    bench.add_forcing_to(rod).using(ea.GravityForces, acc_gravity=np.array(GRAVITY))
    bench.finalize()
    stepper = ea.PositionVerlet()
    step = 0.1 * (2.4 / LINKS) / np.sqrt(3e7 / 900)
    ea.integrate(stepper, bench, 20 * step, 20, progress_bar=False)
    begin = time.process_time()
    count = int(span / step)
    ea.integrate(stepper, bench, span, count, progress_bar=False)
    good = np.all(np.isfinite(rod.position_collection))
    return (time.process_time() - begin) / span if good else None


def others() -> None:
    """The general codes, where they are installed."""
    print("code                         step [s]   CPU s / s")
    for kind in ("hinge", "ball"):
        for step, span in ((1e-4, 0.05), (2e-5, 0.01)):
            try:
                cost = mujoco_cost(kind, step, span)
            except ImportError:
                print("MuJoCo is not installed")
                return
            shown = "diverged" if cost is None else f"{cost:.2f}"
            print(f"MuJoCo, {kind + ' joints, RK4':20s} {step:9.0e} {shown:>11s}", flush=True)
    try:
        cost = pyelastica_cost(0.02)
    except ImportError:
        print("PyElastica is not installed")
        return
    print(f"PyElastica rod                         {'diverged' if cost is None else f'{cost:.2f}'}")


def main() -> None:
    step_table()
    found = throw_table()
    if "--keep" in sys.argv[1:]:
        title = f"Forward simulation of {LINKS} links"
        figures.save("forward", title, found, typed="python -m benchmarks.forward --keep")
    others()


if __name__ == "__main__":
    main()
