"""The NetCDF files of a long record, written piece by piece in whatever order pieces come.

Each file has its full size from the start; a piece fills its own times. The names, units and
attributes are those of a record that is written whole.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lashwave.files.disk_room import need_room
from lashwave.files.results import DRAWN, MOTION, coordinates, shared_unit
from lashwave.quantities import Array, Draws

if TYPE_CHECKING:
    import xarray as xr

CHUNK = 128
"""Times that are packed together."""
_PACKED: dict[str, Any] = {"compression": "gzip", "compression_opts": 3, "shuffle": True}


class Growing:
    """A NetCDF file over times (K,) [s] that is filled a span of times at a time."""

    def __init__(self, path: Path, coords: dict[str, Any], attributes: dict[str, str]) -> None:
        """coords : as `results.coordinates` gives them."""
        import h5netcdf

        self.file, self.ended = h5netcdf.File(path, "w"), False
        self.file.attrs.update(attributes)
        for name, (dim, values, attrs) in coords.items():
            self.whole(name, (dim,), values, attrs)

    def whole(self, name: str, dims: tuple[str, ...], values: Any, attrs: dict[str, Any]) -> None:
        """Write a variable, of any shape and unit, at once."""
        plain = np.asarray(values)
        for dim, size in zip(dims, plain.shape, strict=True):
            if dim not in self.file.dimensions:
                self.file.dimensions[dim] = size
        if plain.dtype.kind == "U":
            variable = self.file.create_variable(name, dims, dtype=_text())
            variable[...] = plain.astype(object)
        else:
            packed = _PACKED if plain.ndim else {}
            variable = self.file.create_variable(name, dims, data=plain, **packed)
        variable.attrs.update({k: v for k, v in attrs.items() if v is not None})

    def span(
        self,
        name: str,
        dims: tuple[str, ...],
        first: int,
        values: NDArray[np.floating],
        attrs: dict[str, Any],
    ) -> None:
        """Fill the times from number `first` on of a variable over time; any shape, any unit."""
        axis = dims.index("time")
        if name not in self.file.variables:
            for dim, size in zip(dims, values.shape, strict=True):
                if dim not in self.file.dimensions:
                    self.file.dimensions[dim] = size
            shape = [len(self.file.dimensions[dim]) for dim in dims]
            chunks = tuple(min(CHUNK, size) if i == axis else size for i, size in enumerate(shape))
            variable = self.file.create_variable(
                name, dims, dtype=values.dtype, chunks=chunks, fillvalue=np.nan, **_PACKED
            )
            variable.attrs.update(attrs)
        place = [slice(None)] * len(dims)
        place[axis] = slice(first, first + values.shape[axis])
        self.file.variables[name][tuple(place)] = values

    def close(self) -> None:
        """End the file."""
        self.ended = True
        self.file.close()


def _text() -> Any:
    import h5py

    return h5py.string_dtype()


class LongAnswers:
    """motion.nc, samples.nc and answers.nc of a long record, in a folder of their own."""

    def __init__(
        self, folder: Path, time: Array, station: Array, draws: int, record: dict[str, str]
    ) -> None:
        """time : (K,) [s]; station : (S,) [m], of the motion; draws : how many there are.

        Raises DiskFullError where there is no room for all of it.
        """
        self.folder, self.time, self.record = folder, time, record
        self.station = station
        number = np.arange(draws)
        need_room(folder, time.size * 8 * (2 * 19 * station.size + 15 * draws))
        self.motion = Growing(folder / "motion.nc", coordinates(time, station), record)
        self.lists: Growing | None = None
        self.samples: Growing | None = None
        self.number = {"draw": ("draw", number, {"long_name": "number of the draw"})}

    def put_motion(self, first: int, values: dict[str, Array]) -> None:
        """The motion from time number `first` on, (k, S, 3) or (k, S), as motion.nc names it, in SI
        [m, s, N]."""
        for name, (dims, unit, words) in MOTION.items():
            attrs = {"units": unit, "long_name": words}
            if f"{name}_sd" in MOTION:
                attrs["ancillary_variables"] = f"{name}_sd"
            self.motion.span(name, dims, first, values[name], attrs)

    def put_draws(self, first: int, draws: Draws, kept: NDArray[np.intp], count: int) -> None:
        """Draws at `count` times from number `first` on, at stations numbered `kept` (S,) alone;
        no unit."""
        if self.samples is None:
            coords = coordinates(self.time, draws.station[kept]) | self.number
            self.samples = Growing(self.folder / "samples.nc", coords, self.record)
            for name, values in draws.shared.items():
                about = {"units": shared_unit(name), "long_name": f"draws of {name}"}
                self.samples.whole(name, ("draw",), np.asarray(values, float), about)
        for name, (dims, unit, words) in DRAWN.items():
            values = np.asarray(getattr(draws, name)[:, :count], dtype=np.float32)
            if "station" in dims:
                values = values[:, :, kept]
            self.samples.span(name, dims, first, values, {"units": unit, "long_name": words})

    def put_lists(self, first: int, lists: xr.Dataset, count: int) -> None:
        """Lists of `count` times from number `first` on, with the coordinates of the first put."""
        if self.lists is None:
            coords = {"time": ("time", self.time, dict(lists["time"].attrs))}
            coords |= {
                str(name): (one.dims[0], one.values, dict(one.attrs))
                for name, one in lists.coords.items()
                if name != "time"
            }
            self.lists = Growing(self.folder / "answers.nc", coords, self.record)
        for name, one in lists.data_vars.items():
            values = one.isel(time=slice(0, count)).values
            self.lists.span(str(name), tuple(map(str, one.dims)), first, values, dict(one.attrs))

    def close(self, lists: xr.Dataset) -> None:
        """Add lists of the whole record, and end all files."""
        assert self.lists is not None and self.samples is not None  # pieces were put
        for name, one in lists.variables.items():
            if str(name) not in self.lists.file.variables:
                self.lists.whole(str(name), tuple(map(str, one.dims)), one.values, dict(one.attrs))
        self.end()

    def end(self) -> None:
        """End what is open, whole or not."""
        for one in (self.motion, self.lists, self.samples):
            if one is not None and not one.ended:
                one.close()
