"""The calibration file of a camera: what `lashwave calibrate` writes and a trial names."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lashwave import __version__
from lashwave.files.camera_errors import read_covariance, read_shared
from lashwave.files.fields import Fields, parse_toml
from lashwave.files.source import LARGEST_DESCRIPTION, Folder
from lashwave.files.swap import replace_file
from lashwave.quantities import Array, Calibration

SCHEMA = 1
_KEYS = (
    "schema", "program", "date", "camera", "size", "projection", "lens_model", "intrinsics",
    "distortion", "rotation", "translation", "registration_sd", "reprojection_sd",
    "degrees_of_freedom", "images", "points", "parameters", "covariance", "inputs", "mirrored",
    "adjustment", "shared",
)  # fmt: skip
_COMMENTS = {
    "size": "px: width, height",
    "projection": "homogeneous lab metres -> px",
    "intrinsics": "px",
    "distortion": "k1, k2, p1, p2, k3; of a fisheye lens k1, k2, k3, k4",
    "rotation": "rotation vector, lab to camera [rad]",
    "translation": "m",
    "mirrored": "a view in a mirror: intrinsics times diag(-1, 1, 1) times pose",
    "covariance": "of the fitted parameters, in their order, in px, rad, m or 1",
    "adjustment": "files with the same were adjusted together",
    "inputs": "SHA-256",
}


@dataclass(frozen=True)
class Optics:
    """How a camera maps the lab to its image, as a trial or a calibration file states it."""

    projection: Array
    intrinsics: Array | None
    distortion: Array | None
    mirrored: bool = False


def write_calibration(
    path: Path,
    calibration: Calibration,
    inputs: Mapping[str, str],
    when: datetime.datetime | None = None,
) -> None:
    """Write the TOML file of a calibration, every number to its last digit.

    Parameters
    ----------
    path : replaced as a whole where it exists.
    inputs : SHA-256 of each input, by its name.
    when : the moment to state; now by default.

    Raises
    ------
    ValueError
        For numbers that are not finite.
    """
    from lashwave.files.write_toml import toml_text, with_unit  # here: reading needs neither

    c = calibration
    stated = (c.projection, c.intrinsics, c.distortion, c.rotation, c.translation, c.covariance,
              *(one.covariance for one in c.shared))  # fmt: skip
    spreads = (c.registration_sd, c.reprojection_sd)
    if not all(np.isfinite(v).all() for v in (*stated, *spreads) if v is not None):
        raise ValueError("a calibration with numbers that are not finite")
    when = when or datetime.datetime.now(datetime.UTC)
    table = {
        "schema": SCHEMA,
        "program": f"lashwave {__version__}",
        "date": when.replace(microsecond=0),
        "camera": c.camera or None,
        "size": [int(n) for n in c.size],
        "projection": c.projection.tolist(),
        "intrinsics": None if c.intrinsics is None else c.intrinsics.tolist(),
        "lens_model": lens_model(c.distortion),
        "distortion": None if c.distortion is None else c.distortion.tolist(),
        "rotation": None if c.rotation is None else c.rotation.tolist(),
        "translation": None if c.translation is None else c.translation.tolist(),
        "mirrored": c.mirrored or None,
        "registration_sd": with_unit(c.registration_sd, "px"),
        "reprojection_sd": with_unit(c.reprojection_sd, "px"),
        "degrees_of_freedom": int(c.degrees_of_freedom),
        "images": int(c.images),
        "points": int(c.points),
        "parameters": list(c.parameters),
        "covariance": c.covariance.tolist(),
        "adjustment": c.adjustment or None,
        "inputs": dict(inputs),
        "shared": [
            {
                "camera": one.camera,
                "parameters": list(one.parameters),
                "covariance": one.covariance.tolist(),
            }
            for one in c.shared
        ],
    }
    content = toml_text(table, comments=_COMMENTS)
    replace_file(path, lambda aside: aside.write_text(content, encoding="utf-8"))


def lens_model(distortion: Array | None) -> str | None:
    """The name of a lens by its distortion, (4,) or (5,), no unit; None for the usual one."""
    return "fisheye" if distortion is not None and len(distortion) == 4 else None


def read_calibration(
    folder: Folder, name: str, where: str, line: int | None, key: str
) -> Calibration:
    """A calibration file named in `where`; what it does not state is as in the noun.

    Raises
    ------
    InputError
        For a path as `Folder.file`, and for a field that is not what it should be.
    """
    source = calibration_fields(folder, name, where, line, key).expect(*_KEYS)
    schema = source.get("schema", SCHEMA)
    if schema != SCHEMA or isinstance(schema, bool):
        raise source.fault("schema", f"{schema!r} is not known", f"write schema = {SCHEMA}")
    return calibration_of(source, read_optics(source), read_size(source))


def calibration_of(source: Fields, optics: Optics, size: tuple[int, int]) -> Calibration:
    """The calibration of a file's table, whose optics and size [px] were read.

    Raises InputError for half a pose, what is no covariance, and fields that are no numbers.
    """
    parameters, covariance = read_covariance(source)
    adjustment, shared = read_shared(source, len(parameters))
    pose = {k: source.array(k, (3,)) for k in ("rotation", "translation") if source.has(k)}
    if len(pose) == 1:
        missing = ({"rotation", "translation"} - set(pose)).pop()
        raise source.fault(missing, "is missing, and a pose needs both", "add it")
    return Calibration(
        size=size,
        projection=optics.projection,
        intrinsics=optics.intrinsics,
        distortion=optics.distortion,
        rotation=pose.get("rotation"),
        translation=pose.get("translation"),
        mirrored=optics.mirrored,
        parameters=parameters,
        covariance=covariance,
        registration_sd=source.number("registration_sd", "pixel", 0.0, 0.0, 1e4),
        reprojection_sd=source.number("reprojection_sd", "pixel", 0.0, 0.0, 1e4),
        degrees_of_freedom=_count(source, "degrees_of_freedom"),
        images=_count(source, "images"),
        points=_count(source, "points"),
        camera=source.text("camera", ""),
        adjustment=adjustment,
        shared=shared,
    )


def calibration_fields(folder: Folder, name: str, where: str, line: int | None, key: str) -> Fields:
    """The root table of a calibration file named in `where`.

    Raises InputError for a path as `Folder.file`, and a file that is too large or no TOML.
    """
    path = folder.file(name, where, line, key)
    if path.stat().st_size > LARGEST_DESCRIPTION:
        raise Fields(where, {}, (), {(key,): line or 1}).fault(
            key, f"{name!r} is too large", "name a calibration file"
        )
    return parse_toml(path.read_bytes(), name)


def _has_centre(block: Array) -> bool:
    """Whether the rays of a projection's first three columns (3, 3) meet in one place."""
    size = np.linalg.norm(block, axis=1, keepdims=True)
    return bool((size > 0.0).all() and np.linalg.matrix_rank(block / size) == 3)


def read_optics(source: Fields) -> Optics:
    """Projection, intrinsics and distortion from the table that states them.

    Raises InputError for a projection onto a line or a point, or without a centre, and distortion
    without intrinsics.
    """
    projection = source.array("projection", (3, 4))
    parallel = not projection[2, :3].any()
    if parallel and projection[2, 3] == 0:
        raise source.fault("projection", "has a last row of zeros", "give a 3x4 projection")
    if np.linalg.matrix_rank(projection[:2, :3] if parallel else projection) < (
        2 if parallel else 3
    ):
        raise source.fault("projection", "maps the lab to a line or a point", "calibrate again")
    if not parallel and not _has_centre(projection[:, :3]):
        raise source.fault(
            "projection", "has no centre, and its last row is not that of parallel light",
            "write (0, 0, 0, 1) there for parallel light, or calibrate again",
        )  # fmt: skip
    intrinsics = _intrinsics(source) if source.has("intrinsics") else None
    fisheye = source.text("lens_model", "brown", ("brown", "fisheye")) == "fisheye"
    if fisheye and not source.has("distortion"):
        raise source.fault("distortion", "is missing, and a fisheye lens needs it", "add k1 to k4")
    count = 4 if fisheye else 5
    distortion = source.array("distortion", (count,)) if source.has("distortion") else None
    if distortion is not None and intrinsics is None:
        raise source.fault("intrinsics", "is missing, and distortion needs it", "add it")
    return Optics(projection, intrinsics, distortion, source.flag("mirrored"))


def read_size(fields: Fields) -> tuple[int, int]:
    """Width and height of a camera's images [px].

    Raises InputError for what is not two whole numbers from 8.
    """
    size = fields.array("size", (2,))
    if (size != np.rint(size)).any() or (size < 8).any() or (size > 100_000).any():
        raise fields.fault("size", "is not two whole numbers from 8", "write [width, height] in px")
    return int(size[0]), int(size[1])


def _intrinsics(source: Fields) -> Array:
    inner = source.array("intrinsics", (3, 3))
    plain = inner[1, 0] == inner[2, 0] == inner[2, 1] == 0 and inner[2, 2] == 1
    if not plain or inner[0, 0] <= 0 or inner[1, 1] <= 0:
        raise source.fault(
            "intrinsics", "is not a camera matrix", "write [[fx, 0, cx], [0, fy, cy], [0, 0, 1]]"
        )
    return inner


def _count(source: Fields, key: str) -> int:
    value = source.get(key, 0)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise source.fault(key, f"{value!r} is not a count", "write a whole number from 0")
    return value
