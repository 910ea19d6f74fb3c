"""The answer files: motion.nc, samples.nc, answers.nc, sightings.nc, summary.json, the report; all
or none."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lashwave import __version__
from lashwave.files.source import sha256 as file_hash
from lashwave.files.swap import replace_folder, write_files
from lashwave.quantities import Answer, Array, Fit, Foretold, Motions, Trial

if TYPE_CHECKING:
    import xarray as xr

SCHEMA = 1
CONVENTIONS = "CF-1.11"
"""NetCDF Climate and Forecast Metadata Conventions, version 1.11 (cfconventions.org)."""

_SPACE_TIME = ("time", "station", "axis")
MOTION: dict[str, tuple[tuple[str, ...], str, str]] = {
    "position": (_SPACE_TIME, "m", "position of the line in the lab frame"),
    "position_sd": (_SPACE_TIME, "m", "standard deviation of one coordinate of the position"),
    "velocity": (_SPACE_TIME, "m s-1", "velocity of the line"),
    "velocity_sd": (_SPACE_TIME, "m s-1", "standard deviation of one coordinate of the velocity"),
    "acceleration": (_SPACE_TIME, "m s-2", "acceleration of the line"),
    "curvature": (_SPACE_TIME[:2], "m-1", "magnitude of the curvature"),
    "curvature_sd": (_SPACE_TIME[:2], "m-1", "standard deviation of the curvature"),
    "tension": (_SPACE_TIME[:2], "N", "tension, pull positive; missing on the rigid grip"),
    "tension_sd": (_SPACE_TIME[:2], "N", "standard deviation of the tension"),
}
ADDED = ("curvature_sd",)
"""Of the motion, what answers of an older program, and a fit put together by hand, may lack."""
DRAWN: dict[str, tuple[tuple[str, ...], str, str]] = {
    "position": (("draw", *_SPACE_TIME), "m", "draws of the position"),
    "velocity": (("draw", *_SPACE_TIME), "m s-1", "draws of the velocity"),
    "tension": (("draw", "time", "station"), "N", "draws of the tension"),
    "hand_force": (("draw", "time", "axis"), "N", "force of the hand on grip and line"),
    "hand_power": (("draw", "time"), "W", "power of the hand's force and torque"),
    "kinetic_energy": (("draw", "time"), "J", "kinetic energy of grip and line"),
}
_PACKING = {"zlib": True, "complevel": 3, "shuffle": True}


def write_results(
    out: Path,
    fit: Fit,
    answers: dict[str, Answer],
    lists: xr.Dataset | None,
    files: dict[str, bytes],
    trial: Trial,
    options: dict[str, Any],
) -> None:
    """Write every answer file to the folder `out`, as a whole or not at all.

    Parameters
    ----------
    out : replaced as a whole where it exists; the caller has made sure that it may be.
    lists : answers over time or station, for answers.nc; None writes one without variables.
    options : what the reconstruction was asked for; kept in the provenance.
    files : further files, the report's, by name; a folder's name may stand before it.
    """
    write_files(out, packed_results(fit, answers, lists, trial, options) | files)


def packed_results(
    fit: Fit,
    answers: dict[str, Answer],
    lists: xr.Dataset | None,
    trial: Trial,
    options: dict[str, Any],
) -> dict[str, bytes]:
    """What `write_results` writes, the further files apart, by name."""
    record = provenance(trial, options)

    # The NetCDF library ends the process where its disk is full, so it writes to memory.
    whole = {
        "motion.nc": netcdf_bytes(motion_dataset(fit, record)),
        "samples.nc": netcdf_bytes(samples_dataset(fit, record)),
        "answers.nc": netcdf_bytes(_answers_dataset(lists, record)),
        "sightings.nc": netcdf_bytes(sightings_dataset(fit, trial, record)),
    }
    hashes = {name: sha256(body).hexdigest() for name, body in whole.items()}
    whole["summary.json"] = _summary_bytes(fit, answers, trial, record, hashes)
    return whole


def _summary_bytes(
    fit: Fit,
    answers: dict[str, Answer],
    trial: Trial,
    record: dict[str, str],
    hashes: dict[str, str],
) -> bytes:
    """summary.json, with the SHA-256 of the NetCDF files beside it: a damaged one can hang its
    library, so it is known by its hash before it is opened."""
    kept = summary(fit, answers, trial, record)
    kept["provenance"]["files"] = hashes
    return (json.dumps(kept, indent=1, allow_nan=False) + "\n").encode()


def write_long_results(
    out: Path,
    written: Path,
    fit: Fit,
    answers: dict[str, Answer],
    files: dict[str, bytes],
    trial: Trial,
    record: dict[str, str],
) -> None:
    """Move the files of `LongAnswers` from the folder `written` to `out`, and write all others.

    As `write_results` does, as a whole or not at all.
    """
    (written / "sightings.nc").write_bytes(netcdf_bytes(sightings_dataset(fit, trial, record)))
    names = ("motion.nc", "samples.nc", "answers.nc", "sightings.nc")
    hashes = {name: file_hash(written / name) for name in names}
    rest = files | {"summary.json": _summary_bytes(fit, answers, trial, record, hashes)}

    def fill(folder: Path) -> None:
        for name in names:
            (written / name).rename(folder / name)
        for name, content in rest.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(content)

    replace_folder(out, fill)


def provenance(trial: Trial, options: dict[str, Any]) -> dict[str, str]:
    """Attributes of every answer file: program version, schema, hashes of inputs, options."""
    left_out = ", ".join(options.get("withhold", ()))
    without = f", reconstructed without {left_out}" if left_out else ""
    return {
        "Conventions": CONVENTIONS,
        "title": f"Motion of the line in trial {trial.name}{without}",
        "source": f"lashwave {__version__}",
        "program_version": __version__,
        "schema": str(SCHEMA),
        "trial": trial.name,
        "input_sha256": json.dumps(trial.hashes, sort_keys=True, ensure_ascii=False),
        "options": json.dumps(options, sort_keys=True, default=str),
    }


def motion_dataset(fit: Fit, attributes: dict[str, str] | None = None) -> xr.Dataset:
    """The motion as the trial format names it."""
    import xarray as xr

    data = {
        name: (dims, getattr(fit, name), {"units": unit, "long_name": words})
        for name, (dims, unit, words) in MOTION.items()
        if getattr(fit, name) is not None
    }
    for name in data:
        if f"{name}_sd" in data:
            data[name][2]["ancillary_variables"] = f"{name}_sd"
    coords = coordinates(fit.time, fit.station)
    return xr.Dataset(data, coords, attributes or {})


def samples_dataset(fit: Fit, attributes: dict[str, str] | None = None) -> xr.Dataset:
    """The draws of the posterior, in single precision, dimension `draw` first."""
    import xarray as xr

    draws = fit.draws
    data: dict[str, Any] = {
        name: (
            dims,
            np.asarray(getattr(draws, name), dtype=np.float32),
            {"units": unit, "long_name": words},
        )
        for name, (dims, unit, words) in DRAWN.items()
    }
    for name, values in draws.shared.items():
        data[name] = (
            "draw",
            np.asarray(values, dtype=np.float64),
            {"units": shared_unit(name), "long_name": f"draws of {name.replace('_', ' ')}"},
        )
    if fit.motions is not None:
        words = "motion that the draw is of, 0 the most probable"
        data["motion"] = ("draw", fit.motions.of_draw, {"units": "1", "long_name": words})
    coords = coordinates(draws.time, draws.station)
    coords["draw"] = ("draw", np.arange(len(draws.position)), {"long_name": "number of the draw"})
    return xr.Dataset(data, coords, attributes or {})


def sightings_dataset(fit: Fit, trial: Trial, attributes: dict[str, str]) -> xr.Dataset:
    """How every sighting lies to the motion, and how far the fit trusts it.

    `marker_residual` (sample, marker, axis) in standard deviations and `marker_weight` (sample,
    marker), from 1 (trusted) to 0, nan where not seen; for each camera `residual:NAME` (point,
    image axis) and `weight:NAME`, in the order of the trial's own points.
    """
    import xarray as xr

    of = fit.residuals
    sd = {"units": "1", "long_name": "sighting minus motion over its standard deviation"}
    trust = {"units": "1", "long_name": "robust weight, 1 trusted to 0 distrusted"}
    data: dict[str, Any] = {}
    if of.marker.shape == trial.markers.position.shape:
        data["marker_residual"] = (("sample", "marker", "axis"), of.marker, sd)
        data["marker_weight"] = (("sample", "marker"), of.marker_weight, trust)
        data["sample"] = ("sample", trial.markers.time, {"units": "s"})
        data["marker"] = ("marker", np.array(trial.markers.labels, dtype=str))
    for name, residual in of.camera.items():
        data[f"residual:{name}"] = ((f"point:{name}", "image_axis"), residual, sd)
        data[f"weight:{name}"] = (f"point:{name}", of.camera_weight[name], trust)
    return xr.Dataset(data, attrs=attributes)


def shared_unit(name: str) -> str:
    """The unit of a shared parameter, told by its name."""
    if name.startswith("clock_offset") or name == "damping_time_seconds":
        return "s"
    return "px" if name.startswith("registration_") else "1"


def summary(
    fit: Fit, answers: dict[str, Answer], trial: Trial, record: dict[str, str]
) -> dict[str, Any]:
    """The object of summary.json: no number in it is other than finite."""
    quantities = {name: _finite(answer.as_dict()) for name, answer in answers.items()}
    withheld = {} if fit.foretold is None else {"withheld": withheld_record(fit.foretold)}
    motions = {} if fit.motions is None else {"motions": motions_record(fit.motions)}
    return {
        "schema": SCHEMA,
        "trial": trial.name,
        "quantities": quantities,
        "warnings": list(fit.warnings),
        **withheld,
        **motions,
        "provenance": {
            "program_version": record["program_version"],
            "specimen": trial.specimen,
            "thrower": trial.thrower,
            "date": trial.date,
            "inputs": trial.hashes,
            "options": json.loads(record["options"]),
        },
    }


def motions_record(motions: Motions) -> dict[str, Any]:
    """What summary.json says of several motions that fit alike; lengths [m], times [s]."""
    return {
        "probability": motions.probability.tolist(),
        "apart": [asdict(one) for one in motions.apart],
        "depending": None if motions.depending is None else list(motions.depending),
    }


def withheld_record(found: Foretold) -> dict[str, Any]:
    """What summary.json says of sightings that the user withheld."""
    wider, nearer = found.further() if found.groups else (1.0, 1.0)
    groups = {
        group.name: {
            "unit": group.unit,
            **group.scores.as_dict(),
            "log_score_expected": float(np.median(group.expected[:, 1])),
        }
        for group in found.groups
    }
    return {
        "asked": list(found.asked),
        "sightings": sum(group.time.size for group in found.groups),
        "outside": found.outside,
        "draws_further_off": wider,
        "draws_nearer": nearer,
        "fits": bool(wider > 0.0 and nearer > 0.0),
        "pooled": {unit: scores.as_dict() for unit, scores in found.pooled.items()},
        "groups": groups,
    }


def _finite(record: dict[str, float | str | None]) -> dict[str, Any]:
    """JSON has no nan: such a number is null, and a missing value says why."""
    plain = {k: v.item() if isinstance(v, np.generic) else v for k, v in record.items()}
    clean: dict[str, Any] = {
        key: None if isinstance(v, float) and not math.isfinite(v) else v
        for key, v in plain.items()
    }
    if clean["value"] is None:
        clean["reason"] = clean.get("reason") or "not determined"
    return clean


def coordinates(time: Array, station: Array) -> dict[str, Any]:
    """Coordinates of files over times (K,) [s] and stations (S,) [m]: dimension, values, attributes
    of each."""
    return {
        "time": ("time", time, {"units": "s", "long_name": "time on the lab clock", "axis": "T"}),
        "station": (
            "station",
            station,
            {"units": "m", "long_name": "arc length from the butt along the material"},
        ),
        "axis": ("axis", ["x", "y", "z"], {"long_name": "axis of the lab frame"}),
    }


def _answers_dataset(lists: xr.Dataset | None, record: dict[str, str]) -> xr.Dataset:
    import xarray as xr

    dataset = xr.Dataset() if lists is None else lists.copy()
    dataset.attrs = {**dataset.attrs, **record}
    return dataset


def netcdf_bytes(dataset: xr.Dataset) -> bytes:
    """NetCDF-4, packed; nothing is left to be decoded but what xarray decodes by itself."""
    encoding: dict[str, dict[str, Any]] = {}
    for name, variable in dataset.variables.items():
        if variable.dtype.kind in "fiu" and variable.ndim:
            encoding[str(name)] = dict(_PACKING)
            if name in dataset.coords:
                encoding[str(name)]["_FillValue"] = None
    body = BytesIO()
    dataset.to_netcdf(body, engine="h5netcdf", encoding=encoding)
    return body.getvalue()
