"""How well the motion fits the sightings: residuals, their whiteness, and withheld sightings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lashwave.quantities import COVERED, DISTRUSTED, Foretold, Withheld
from lashwave.report import style
from lashwave.report.report_scene import Array, ReportScene

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

AXES = (("x", style.BLUE), ("y", style.VERMILION), ("z", style.GREEN))
CLIP = 6.0
"""Residuals beyond this many standard deviations are drawn at the edge."""


def autocorrelation(series: Array, lags: int) -> tuple[Array, Array]:
    """Correlation of residuals with themselves `lag` samples later, lags 1 to `lags`.

    series (T, N) [sd], nan where not seen; all N pooled, gaps left out. Returns the correlations
    (lags,) and the half width (lags,) of the 95 % band that white residuals would keep to,
    1.96 / sqrt(pairs) (Box and Jenkins, Time Series Analysis, 1970).
    """
    centred = series - np.nanmean(series) if np.isfinite(series).any() else series
    power = np.nanmean(centred**2) if np.isfinite(centred).any() else np.nan
    found = np.full(lags, np.nan)
    width = np.full(lags, np.nan)
    for lag in range(1, min(lags, series.shape[0] - 1) + 1):
        product = centred[lag:] * centred[:-lag]
        pairs = int(np.isfinite(product).sum())
        if pairs > 1 and power > 0:
            found[lag - 1] = np.nansum(product) / pairs / power
            width[lag - 1] = 1.96 / np.sqrt(pairs)
    return found, width


def trusted(scene: ReportScene) -> Array:
    """(T, L, 3) marker residuals [sd], nan where not seen or distrusted."""
    residuals = scene.fit.residuals
    distrusted = ~(np.nan_to_num(residuals.marker_weight, nan=0.0) >= DISTRUSTED)
    return np.where(distrusted[..., None], np.nan, residuals.marker)


def _scatter(axes: Axes, time: Array, value: Array, colour: str, label: str) -> None:
    keep = np.isfinite(value)
    axes.plot(
        time[keep],
        np.clip(value[keep], -CLIP, CLIP),
        ".",
        color=colour,
        markersize=2.4 if keep.sum() > 2000 else 4.0,
        markeredgewidth=0,
        alpha=0.6,
        label=label,
        rasterized=True,
    )


def _distrusted(axes: Axes, time: Array, value: Array) -> None:
    keep = np.isfinite(value)
    if keep.any():
        axes.plot(
            time[keep],
            np.clip(value[keep], -CLIP, CLIP),
            "o",
            markerfacecolor="none",
            color=style.PURPLE,
            markersize=3.2,
            markeredgewidth=0.7,
            label="distrusted",
            rasterized=keep.sum() > 2000,
        )


def _histogram(axes: Axes, value: Array, name: str) -> None:
    """Share of residuals, with the normal density they should follow."""
    bins = np.linspace(-CLIP, CLIP, 49)
    value = value[np.isfinite(value)]
    if value.size:
        axes.hist(
            np.clip(value, -CLIP, CLIP),
            bins=list(bins),
            density=True,
            orientation="horizontal",
            color=style.SKY,
            alpha=0.8,
        )
    density = np.exp(-0.5 * bins**2) / np.sqrt(2 * np.pi)
    axes.plot(density, bins, color=style.VERMILION, linewidth=1.0)
    rms = float(np.sqrt(np.mean(value**2))) if value.size else float("nan")
    axes.set_title(f"{name}: RMS {rms:.2f} sd", fontsize=7.5)
    axes.tick_params(labelleft=False)


@style.in_style
def residuals(scene: ReportScene) -> Figure:
    """Residuals over time, in standard deviations, beside the normal law they should follow."""
    rows = 1 + bool(scene.cameras)
    figure = style.canvas(height=0.9 + 1.65 * rows)
    panels = figure.subplots(rows, 2, squeeze=False, sharey=True, width_ratios=[4, 1])
    marker = scene.fit.residuals.marker
    good = trusted(scene)
    time = np.repeat(scene.trial.markers.time, marker.shape[1])
    for axis, (name, colour) in enumerate(AXES):
        _scatter(panels[0][0], time, good[..., axis].ravel(), colour, name)
    gone = np.where(np.isfinite(good), np.nan, marker)
    _distrusted(panels[0][0], np.repeat(time, 3), gone.ravel())
    panels[0][0].set_title("markers")
    _histogram(panels[0][1], good.ravel(), "trusted")
    if rows == 2:
        pooled = []
        for axis, (name, colour) in enumerate((("u", style.ORANGE), ("v", style.BLUE))):
            for i, camera in enumerate(scene.cameras):
                value = np.where(camera.weight < DISTRUSTED, np.nan, camera.residual[:, axis])
                _scatter(panels[1][0], camera.time, value, colour, "" if i else name)
                distrusted = np.where(camera.weight < DISTRUSTED, camera.residual[:, axis], np.nan)
                _distrusted(panels[1][0], camera.time, distrusted)
                pooled.append(value)
        panels[1][0].set_title("cameras")
        _histogram(panels[1][1], np.concatenate(pooled), "trusted")
    for axes in panels[:, 0]:
        axes.axhline(0.0, color=style.FAINT, linewidth=0.6)
        axes.set_ylim(-1.05 * CLIP, 1.05 * CLIP)
        axes.set_ylabel("residual [sd]")
        handles, names = axes.get_legend_handles_labels()
        unique = dict(zip(names, handles, strict=True))
        axes.legend(
            unique.values(),
            unique.keys(),
            ncols=5,
            loc="lower right",
            bbox_to_anchor=(1, 0.97),
            borderaxespad=0,
            markerscale=2.0,
            handletextpad=0.1,
            columnspacing=0.8,
        )
    panels[-1][0].set_xlabel("time on the lab clock [s]")
    panels[-1][1].set_xlabel("density")
    return figure


@style.in_style
def whiteness(scene: ReportScene, lags: int = 20) -> Figure:
    """Autocorrelation of the marker residuals, and the size of each marker's own."""
    figure = style.canvas(height=2.5)
    left, right = figure.subplots(1, 2, width_ratios=[1, 1.25])
    good = trusted(scene)
    steps = np.arange(1, lags + 1)
    drawn = np.full((len(AXES), lags), np.nan)
    for axis, (name, colour) in enumerate(AXES):
        found, width = autocorrelation(good[..., axis], lags)
        drawn[axis] = found
        left.plot(steps, found, "o-", color=colour, markersize=2.5, linewidth=0.8, label=name)
    if np.isfinite(width).any():
        left.fill_between(
            steps, -width, width, color=style.FAINT, alpha=0.3, linewidth=0, label="white, 95 %"
        )
    left.axhline(0.0, color=style.FAINT, linewidth=0.6)
    left.set_xlabel("lag [marker samples]")
    left.set_ylabel("autocorrelation")
    left.set_title(f"whiteness: lag-one mean {scene.fit.residuals.whiteness:.2f}")
    tallest = float(np.nanmax(np.abs(drawn))) if np.isfinite(drawn).any() else 0.0
    left.set_ylim(-max(0.15, 1.2 * tallest), max(0.2, 1.4 * tallest))
    left.legend(ncols=4, loc="upper right", columnspacing=0.9, handlelength=1.2)
    labels = [style.plain(label, 10) for label in scene.trial.markers.labels]
    place = np.arange(len(labels))
    size = np.array([_rms(good[:, i]) for i in place])
    right.bar(place, np.nan_to_num(size), color=style.SKY, width=0.7)
    style.guide(right, 1.0, "as stated")
    right.set_xticks(place, labels, rotation=90, fontsize=6.5 if len(labels) <= 24 else 4.5)
    right.set_ylabel("RMS residual [sd]")
    right.set_title("each marker")
    return figure


def _rms(value: Array) -> float:
    value = value[np.isfinite(value)]
    return float(np.sqrt(np.mean(value**2))) if value.size else float("nan")


def share_bounds(share: Array, count: NDArray[np.int64]) -> Array:
    """(2, W), no unit: lower and upper exact 95 % bounds of shares (W,) found in counts (W,).

    Source: Clopper and Pearson, Biometrika 26 (1934) 404.
    """
    from scipy.stats import binomtest

    found = [
        binomtest(round(s * n), int(n)).proportion_ci(0.95, method="exact") if n > 0 else (0.0, 1.0)
        for s, n in zip(share, count, strict=True)
    ]
    return np.array(found).T


@style.in_style
def withheld(check: Withheld) -> Figure:
    """Sightings that were left out: how far off they were predicted, and how well covered."""
    figure = style.canvas(height=2.2)
    left, right = figure.subplots(1, 2)
    left.plot(check.label, 1e3 * check.rms, "o", color=style.BLUE, markersize=4)
    left.set_ylim(bottom=0.0)
    left.set_ylabel("RMS of prediction [mm]")
    right.errorbar(
        check.label,
        100 * check.coverage,
        yerr=100 * np.abs(share_bounds(check.coverage, 3 * check.count) - check.coverage),
        fmt="o",
        color=style.BLUE,
        markersize=4,
        capsize=2,
        linewidth=0.8,
    )
    style.guide(right, 95.0, "95 %")
    right.set_ylim(min(60.0, 100 * float(np.nanmin(check.coverage)) - 5), 102)
    right.set_ylabel("inside the 95 % interval [%]")
    for axes in (left, right):
        axes.set_xlabel("station of the marker left out [m]")
    return figure


@style.in_style
def foretold(found: Foretold) -> Figure:
    """Withheld sightings against their forecast: deviations over time, and how they are spread."""
    from scipy.special import ndtr

    figure = style.canvas(height=2.4)
    left, right = figure.subplots(1, 2)
    for i, group in enumerate(found.groups):
        value = np.clip(group.deviation, -CLIP, CLIP)
        time = np.repeat(group.time, value.shape[1])
        left.plot(
            time, value.ravel(), ".", markersize=3, markeredgewidth=0, alpha=0.6,
            color=f"C{i % 10}", label=style.plain(group.name, 10),
            rasterized=value.size > 2000,
        )  # fmt: skip
    for level in (-COVERED, COVERED):
        style.guide(left, level, "95 %" if level > 0 else "")
    left.set_ylim(-CLIP, CLIP)
    left.set_xlabel("time [s]")
    left.set_ylabel("foretold - seen [sd]")
    if len(found.groups) <= 8:
        left.legend(ncols=4, loc="upper right", columnspacing=0.9, handlelength=1.2)
    place = np.concatenate([ndtr(-group.deviation).ravel() for group in found.groups])
    share, edges = np.histogram(place, bins=10, range=(0.0, 1.0))
    middle = 0.5 * (edges[1:] + edges[:-1])
    right.bar(middle, 100.0 * share / place.size, width=0.09, color=style.SKY)
    style.guide(right, 10.0, "as stated")
    right.set_ylim(bottom=0.0)
    right.set_xlabel("place in the forecast")
    right.set_ylabel("share of coordinates [%]")
    return figure
