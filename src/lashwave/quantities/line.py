"""The measured line: what the specimen table and the static tests say."""

from __future__ import annotations

from dataclasses import dataclass, field

from lashwave.quantities.arrays import Array


@dataclass(frozen=True)
class Tuft:
    """Loose strands at the far end: drag area and mass, which the table does not hold."""

    area: float
    """Drag coefficient times area [m2]."""
    area_sd: float
    """[m2]; 0 where it was not stated."""
    mass: float
    """[kg]"""


@dataclass(frozen=True)
class Droop:
    """A static cantilever test: a piece clamped level, hanging under its own weight.

    Exactly one of `drop` and `angle` is given. `drop_sd` is in metres with `drop`, in radians
    with `angle`; nan where it was not stated.
    """

    station: float
    """Middle of the piece [m]."""
    overhang: float
    """[m]"""
    drop: float | None
    """[m]"""
    angle: float | None
    """Angle of the chord from clamp to tip below the level [rad]."""
    drop_sd: float


@dataclass(frozen=True)
class Line:
    """A measured line, from butt to tip. Columns are linear between their rows."""

    station: Array
    """(R,) [m], increasing from 0 to the full length."""
    diameter: Array
    """(R,) [m]"""
    linear_density: Array
    """(R,) [kg/m]"""
    bending_stiffness: Array | None = None
    """(R,) [N m2]; None where the table has no such column."""
    axial_stiffness: Array | None = None
    """(R,) [N]"""
    column_sd: dict[str, Array] = field(default_factory=dict)
    """Standard deviation of each column that states one, independent from row to row."""
    handle_length: float = 0.0
    """[m]; the first part of the line that is rigid."""
    ends: str = "free"
    """What holds the far end: "free" or "held"."""
    tuft: Tuft | None = None
    droops: tuple[Droop, ...] = ()

    @property
    def length(self) -> float:
        """Full length [m]."""
        return float(self.station[-1])
