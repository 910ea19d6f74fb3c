"""A simulated motion with its accounts of energy and momentum."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lashwave.quantities import Array


@dataclass(frozen=True)
class Accounts:
    """Where the energy and the momentum went, from the first requested time on."""

    kinetic: Array
    """(T,) [J], the whole chain, rigid ends included."""
    gravity: Array
    """(T,) [J], over node 0 at the first time."""
    bending: Array
    """(T,) [J]"""
    hand_work: Array
    """(T,) [J], of the hand's force and torque."""
    end_work: Array
    """(T,) [J], of a held far end."""
    drag_work: Array
    """(T,) [J], negative."""
    damping_loss: Array
    """(T,) [J], positive."""
    hand_impulse: Array
    """(T, 3) [N s]"""
    end_impulse: Array
    """(T, 3) [N s]"""
    drag_impulse: Array
    """(T, 3) [N s]"""
    momentum: Array
    """(T, 3) [kg m/s]"""
    weight: Array
    """(3,) [N]"""
    time: Array
    """(T,) [s]"""

    @property
    def energy_rest(self) -> Array:
        """(T,) [J], what the energy account leaves open: the numerical error."""
        stored = self.kinetic + self.gravity + self.bending
        given = self.hand_work + self.end_work + self.drag_work - self.damping_loss
        return np.asarray(stored - stored[0] - given)

    @property
    def momentum_rest(self) -> Array:
        """(T, 3) [kg m/s], what the momentum account leaves open."""
        given = self.hand_impulse + self.end_impulse + self.drag_impulse
        given = given + self.weight * (self.time - self.time[0])[:, None]
        return np.asarray(self.momentum - self.momentum[0] - given)


@dataclass(frozen=True)
class Trajectory:
    """A simulated motion at the requested times."""

    time: Array
    """(T,) [s]"""
    position: Array
    """(T, N + 1, 3) [m]"""
    velocity: Array
    """(T, N + 1, 3) [m/s]"""
    acceleration: Array
    """(T, N + 1, 3) [m/s2]"""
    tension: Array
    """(T, N) [N], in the middle of each link, pull positive; nan on rigid ends."""
    hand_force: Array
    """(T, 3) [N], of the hand on grip and line."""
    end_force: Array
    """(T, 3) [N], of what holds the far end; 0 where it is free."""
    hand_power: Array
    """(T,) [W], of the hand's force and torque."""
    accounts: Accounts
    steps: tuple[int, int, int] = field(default=(0, 0, 0))
    """Steps taken, steps refused, evaluations of the accelerations."""
