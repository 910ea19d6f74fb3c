"""A trial: one throw (or swing, or drop) of one line, as read from its folder."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities.constants import TRIAL_GRAVITY
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Camera, Markers, Onset


@dataclass(frozen=True)
class Air:
    """Temperature [K], pressure [Pa], relative humidity [1]."""

    temperature: float = 293.15
    pressure: float = 101325.0
    relative_humidity: float = 0.5


@dataclass(frozen=True)
class Microphone:
    """A microphone's record, by name of its file (read when sound is asked for)."""

    file: str
    position: NDArray[np.float64]
    """(3,) [m], lab frame."""
    sensitivity: float | None
    """[V/Pa]"""
    clock_offset: float
    """[s]"""
    clock_offset_sd: float
    """[s]"""
    name: str | None = None
    channel: int | None = None
    """Of the file, from 1; None takes the first that can be used."""
    recorder: str | None = None
    """Microphones of one recorder share its clock; None: those of one file do."""
    full_scale: float = 1.0
    """[V] at the recorder's full scale."""

    @property
    def label(self) -> str:
        """What tables and answers call it."""
        return self.name or self.file

    @property
    def shared_clock(self) -> str:
        """The recorder whose clock is this microphone's."""
        return self.recorder or self.file


@dataclass(frozen=True)
class Trial:
    """Everything that was measured, in SI."""

    name: str
    line: Line
    markers: Markers
    cameras: tuple[Camera, ...] = ()
    microphones: tuple[Microphone, ...] = ()
    onsets: tuple[Onset, ...] = ()
    """Of sound at the microphones, by time."""
    air: Air = Air()
    gravity: NDArray[np.float64] = field(default_factory=lambda: np.array(TRIAL_GRAVITY))
    """(3,) [m/s2], lab frame."""
    specimen: str | None = None
    thrower: str | None = None
    date: str | None = None
    hashes: dict[str, str] = field(default_factory=dict)
    """SHA-256 of every input file, by its path in the folder."""
    notes: tuple[str, ...] = ()
    """What was assumed or passed over while reading, each a sentence for the user."""
