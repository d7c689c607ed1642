"""Measured flights kept by what they were made from, so that the next nights need not measure them again.

A folder of files that may be deleted at any time, with no reader but this module. A flight is kept under the hash of everything
that decides its figures: the content of its files, grid, limits, surroundings, this package's own code and the libraries under
it.
"""

from __future__ import annotations

import hashlib
import io
import json
import time
from dataclasses import asdict
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from pipeline.flights.limits import FlightLimits
from pipeline.flights.measure import FlightFiles, Surroundings
from pipeline.model.grid import BasinGrid
from pipeline.model.problems import Finding, RefusedFlightError, StillArrivingError
from pipeline.storage.cache import KeptFiles

SETTLED_S = 2.0
"""A file changed more recently than this, s, may change again without a newer time stamp: its hash is not noted."""

DECIDING = ("affine", "geopandas", "numba", "numpy", "pyproj", "rasterio", "scipy", "shapely")
"""Libraries whose version can change a figure."""


class KeptFlights:
    """Measured flights in a folder.

    Parameters
    ----------
    folder : where they are kept.
    writable : whether new ones are kept; a check leaves nothing behind.
    arriving : files still being written, which are not read.
    """

    def __init__(self, folder: Path, *, writable: bool, arriving: frozenset[Path] = frozenset()) -> None:
        self._files = KeptFiles(folder, writable)
        self.arriving = arriving
        self._hashes = self._noted()

    def find(self, key: str) -> tuple[xr.Dataset, list[Finding]] | None:
        """Return the flight kept under a key with its findings, None where there is none.

        Raises
        ------
        RefusedFlightError : it was measured and refused; the words are those of that time.
        """
        refused = self._files.find(f"{key}.refused")
        if refused is not None:
            raise RefusedFlightError(str(refused, "utf-8"))
        flight = self._files.find(f"{key}.npz")
        if flight is None:
            return None
        with np.load(io.BytesIO(flight), allow_pickle=False) as held:
            told = json.loads(str(held["told"]))
            axes = {axis: held[axis] for axis in ("y", "x")}
            fields = {
                name: xr.DataArray(held[name], axes, ("y", "x"), attrs={"units": units})
                for name, units in told["units"].items()
            }
        return xr.Dataset(fields, attrs=told["attrs"]), [Finding(**finding) for finding in told["findings"]]

    def keep(self, key: str, flight: xr.Dataset, findings: list[Finding]) -> None:
        """Keep a flight."""
        told = {
            "attrs": flight.attrs,
            "units": {name: flight[name].attrs["units"] for name in flight.data_vars},
            "findings": [asdict(finding) for finding in findings],
        }
        packed = io.BytesIO()
        arrays = {name: flight[name].to_numpy() for name in (*flight.data_vars, "y", "x")}
        np.savez_compressed(packed, told=np.array(json.dumps(told)), **arrays)
        self._files.keep(f"{key}.npz", packed.getvalue())

    def keep_refused(self, key: str, why: str) -> None:
        """Keep that a flight was refused, and why, so that it is not measured again every night."""
        self._files.keep(f"{key}.refused", " ".join(why.split()).encode())

    def drop_unused(self) -> None:
        """Take away the flights that no night asked for lately; to be called when all of a night's have been asked for."""
        self._files.drop_unused()

    def sha256(self, path: Path) -> str:
        """Return the sha256 of a file's bytes; one noted of the same size, times and inode is believed.

        Raises
        ------
        OSError : the file cannot be read.
        StillArrivingError : it is still being written.
        """
        self.refuse_arriving(path)
        state = path.stat()
        seen = [state.st_size, state.st_mtime_ns, state.st_ctime_ns, state.st_ino]
        noted = self._hashes.get(str(path))
        if noted is not None and noted[:-1] == seen:
            return noted[-1]
        with path.open("rb") as stream:
            found = hashlib.file_digest(stream, "sha256").hexdigest()
        if time.time() - max(state.st_mtime, state.st_ctime) > SETTLED_S:
            self._hashes[str(path)] = [*seen, found]
            self._files.keep(HASHES, json.dumps(self._hashes, indent=0).encode())
        return found

    def refuse_arriving(self, path: Path) -> None:
        """Raise StillArrivingError when a file is still being written."""
        if path in self.arriving:
            raise StillArrivingError(f"{path} is still being written: it is left for the next night, complete by then")

    def _noted(self) -> dict[str, list[Any]]:
        noted = self._files.find(HASHES)
        return {} if noted is None else json.loads(str(noted, "utf-8"))


HASHES = "hashes.json"
"""Hashes of files by path, with the size, times and inode they had."""


def flight_key(
    files: FlightFiles,
    hashes: dict[str, list[tuple[str, str]]],
    place: tuple[BasinGrid, Surroundings],
    limits: FlightLimits,
) -> str:
    """Return the hash of all that decides a flight's figures.

    Parameters
    ----------
    files : the flight.
    hashes : by role, path and sha256 of every file that is read for it; findings name the paths.
    place : the grid, and what is known of the ground.
    """
    grid, known = place
    decided = {
        "flight": [files.flight_id, files.date.isoformat(), files.depth_se_m, files.codes, dict(files.metres_per_unit)],
        "files": hashes,
        "grid": [grid.crs.to_wkt(), grid.cell_m, grid.left, grid.top, grid.width, grid.height],
        "known": [_array_sha256(known.elevation_m), _array_sha256(known.canopy)],
        "limits": limits.model_dump(mode="json", include=set(FlightLimits.model_fields)),
        "code": code_identity(),
    }
    return hashlib.sha256(json.dumps(decided, sort_keys=True).encode()).hexdigest()


def _array_sha256(values: np.ndarray | None) -> str:
    return "" if values is None else hashlib.sha256(np.ascontiguousarray(values).tobytes()).hexdigest()


@cache
def code_identity() -> str:
    """Return the identity of the code that measures: this package's files, those beside it that it reads with, and the libraries' versions."""
    digest = hashlib.sha256()
    folder = Path(__file__).parent
    beside = ("model/grid.py", "inputs/raster_band.py", "inputs/raster_frame.py", "inputs/vector_file.py")
    for path in [*sorted(folder.glob("*.py")), *(folder.parent / name for name in beside)]:
        digest.update(path.read_bytes())
    digest.update(json.dumps({name: version(name) for name in DECIDING}).encode())
    return digest.hexdigest()
