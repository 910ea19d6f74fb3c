"""The air's state as it was measured."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Air:
    """Temperature [K], pressure [Pa], relative humidity [1]."""

    temperature: float = 293.15
    pressure: float = 101325.0
    relative_humidity: float = 0.5
