"""A small trial on disk, and a stand-in for the fusion that is quick."""

from __future__ import annotations

import sys
import types
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import lashwave.estimate
import lashwave.report
from lashwave.files.write_trial import write_trial
from lashwave.quantities.fit import Draws, Fit, Residuals
from lashwave.quantities.line import Line
from lashwave.quantities.sightings import Camera, Clock, Markers
from lashwave.quantities.trial import Trial

STATIONS = np.array([0.05, 0.15, 0.5, 1.0, 1.5, 1.9])
RATE, SAMPLES, NOISE = 500.0, 301, 3e-4


def swing() -> Trial:
    """A straight line of 2 m that turns about its butt by one radian and back in 0.6 s."""
    random = np.random.default_rng(4)
    time = np.arange(SAMPLES) / RATE
    angle = np.sin(np.pi * time / 0.6)
    along = np.stack([np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=-1)
    position = STATIONS[None, :, None] * along[:, None]
    markers = Markers(
        time=time,
        labels=tuple(f"M{i + 1:02d}" for i in range(STATIONS.size)),
        position=position + NOISE * random.standard_normal(position.shape),
        sd=np.full(position.shape[:2], NOISE),
        station=STATIONS,
        station_sd=2e-3,
    )
    line = Line(
        station=np.array([0.0, 1.0, 2.0]),
        diameter=np.array([8e-3, 5e-3, 2e-3]),
        linear_density=np.array([0.04, 0.02, 0.004]),
        bending_stiffness=np.array([1e-3, 1e-4, 1e-5]),
        handle_length=0.2,
    )
    frames = np.arange(4000, 4100)
    camera = Camera(
        name="tip-view",
        rate=2e4,
        size=(1024, 1024),
        projection=np.array([[400.0, 0, 0, 100], [0, 0, -400.0, 900], [0, 0, 0, 1]]),
        clock=Clock(0.0, 2e-3),
        sd=0.4,
        frame=frames,
        station=np.full(100, 2.0),
        uv=np.full((100, 2), 500.0),
        point_sd=np.full(100, 0.4),
    )
    return Trial("bench-test", line, markers, cameras=(camera,))


@dataclass(frozen=True)
class Options:
    """Of the stand-in."""

    draws: int = 100


def estimate(trial: Trial, options: Options, progress) -> Fit:
    """Draws about the straight line through the first and the last marker."""
    progress("sweep", 0.5)
    time = trial.markers.time
    station = np.linspace(0.0, trial.line.length, 12)
    angle = np.sin(np.pi * time / 0.6)
    rate = np.pi / 0.6 * np.cos(np.pi * time / 0.6)
    along = np.stack([np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=-1)
    across = np.stack([-np.sin(angle), np.zeros_like(angle), np.cos(angle)], axis=-1)
    position = station[None, :, None] * along[:, None]
    velocity = station[None, :, None] * (rate[:, None] * across)[:, None]
    scale = 1.0 + 0.01 * np.random.default_rng(0).standard_normal(options.draws)
    count, size = (options.draws, time.size), (options.draws, time.size, station.size)
    draws = Draws(
        time=time,
        station=station,
        position=np.broadcast_to(position, (*size, 3)),
        velocity=scale[:, None, None, None] * velocity,
        tension=np.ones(size),
        hand_force=np.ones((*count, 3)),
        hand_power=np.ones(count),
        kinetic_energy=np.ones(count),
        shared={"clock_offset:tip-view": 1e-5 * scale},
    )
    flat, shape = np.zeros(position.shape), position.shape[:2]
    seen = np.isfinite(trial.markers.position)
    judged = Residuals(
        np.where(seen, 0.5, np.nan),
        np.where(seen[..., 0], 1.0, np.nan),
        {c.name: np.full(c.uv.shape, 9.0) for c in trial.cameras},
        {c.name: np.full(c.frame.size, 0.05) for c in trial.cameras},
        0.0,
    )
    return Fit(
        time, station, position, flat + 1e-3, velocity, flat + 0.1, flat, np.zeros(shape),
        np.ones(shape), np.ones(shape), draws, judged, {}, warnings=("a stand-in made this",),
    )  # fmt: skip


@pytest.fixture
def trial() -> Trial:
    return swing()


@pytest.fixture
def folder(tmp_path: Path, trial: Trial) -> Path:
    """The trial, written to disk."""
    write_trial(tmp_path / "trial", trial)
    return tmp_path / "trial"


@pytest.fixture
def quick(monkeypatch):
    """The fusion and the report replaced by stand-ins that are right in form."""
    page, paper = (types.ModuleType(f"lashwave.report.{name}") for name in ("page", "paper"))
    page.compose = lambda *given: types.SimpleNamespace(figures=[])
    page.render = lambda content: "<!doctype html><title>report</title>"
    paper.render = lambda content: b"%PDF-"
    for module in (page, paper):
        monkeypatch.setitem(sys.modules, module.__name__, module)
        monkeypatch.setattr(lashwave.report, module.__name__.split(".")[-1], module, raising=False)
    monkeypatch.setattr(lashwave.estimate, "Options", Options, raising=False)
    monkeypatch.setattr(lashwave.estimate, "estimate", estimate, raising=False)
    return monkeypatch
