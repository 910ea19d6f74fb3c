"""A set-up before it is built: which instruments, how good, and where."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PlannedMarkers:
    """Markers and the system that follows them."""

    count: int = 12
    """On the line beyond the grip; two more sit on the grip."""
    crowd: float = 0.85
    """Stations go with this power of even shares: below 1 they crowd toward the tip."""
    last: float = 0.1
    """Of the last marker, from the tip [m]."""
    rate: float = 500.0
    """[Hz]"""
    sd: float = 0.3e-3
    """Of one coordinate [m]."""
    station_sd: float = 1e-3
    """How well the stations are known [m]."""
    mass: float = 1e-4
    """Of one marker [kg]."""
    diameter: float = 4e-3
    """Of one marker [m]."""
    loss_speed: float = 50.0
    """Speed at which half of the samples are lost [m/s]."""
    missing: float = 0.0
    """Share of samples lost at random."""


@dataclass(frozen=True)
class PlannedView:
    """A fast camera in parallel light that looks at the crack."""

    rate: float = 25e3
    """[Hz]"""
    width: float = 0.35
    """Of the view, and its height [m]."""
    pixels: int = 1024
    """Across the width."""
    sd: float = 0.4
    """Of one image coordinate of the tip [px]."""
    frames: int = 100
    """At most, about the peak of the tip's speed."""
    angle: float = 0.0
    """From square on the throw's plane [rad]."""
    beside: float = 0.0
    """How far the view's middle lies ahead of the crack [m]."""
    clock_sd: float = 2e-3
    """How well its clock is known before it is fitted [s]."""
    registration_sd: float = 2.0
    """How well its picture is placed in the lab [px]."""


@dataclass(frozen=True)
class BenchPlan:
    """A whole set-up."""

    name: str = "as planned"
    markers: PlannedMarkers = PlannedMarkers()
    views: tuple[PlannedView, ...] = (PlannedView(),)
    price: float = 0.0
    """In whatever unit the budget has."""
