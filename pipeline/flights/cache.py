"""Measured flights and hashes of their files, cached so that the next nights need not make them again."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from snowtally.flights.limits import FlightLimits
from snowtally.flights.measure import FlightFiles, GroundLayers, Outcome
from snowtally.flights.rasters import is_of_files, with_parts
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import RefusedFlightError, StillArrivingError
from snowtally.storage.cache import Cache, Encoding, Maker
from snowtally.storage.encodings import TEXT, arrays_bytes, arrays_of
from snowtally.storage.grid_encoding import grids_bytes, grids_of

SETTLED_S = 2.0
"""Seconds within which a changed file may change again without a newer time stamp, so that its hash is not cached.

Chosen: the coarsest time stamps of file systems in use step by 2 s. Less may take an old hash for a new file."""

FLIGHT_MAKER = Maker(
    "flight", 1, ("affine", "geopandas", "numba", "numpy", "pyproj", "rasterio", "scipy", "shapely", "xarray")
)
"""Maker of what `measure_flight` returns or raises."""

FILE_HASH_MAKER = Maker("sha256", 1)
"""Maker of hashes of files, by path, size, times and inode."""


@dataclass(frozen=True)
class FlightCache:
    """Measured flights and the hashes of their files.

    Parameters
    ----------
    cache : where they lie.
    arriving : files still being written, which are not read.
    """

    cache: Cache
    arriving: frozenset[Path] = frozenset()
    _hashes: dict[str, str] = field(default_factory=dict)

    def get_or_measure(self, key: str, measure: Callable[[], Outcome]) -> Outcome:
        """Return the outcome of a flight's key, measured where it is not cached."""
        return self.cache.get_or_make(key, OUTCOME, measure)

    def sha256(self, path: Path) -> str:
        """Return the SHA-256 hash of a file's bytes.

        Raises
        ------
        OSError : the file cannot be read.
        StillArrivingError : it is still being written.
        """
        self.refuse_arriving(path)
        return self.sha256_as_it_is(path)

    def sha256_as_it_is(self, path: Path) -> str:
        """Return the SHA-256 hash of a file's bytes, though it be still written.

        The cache holds the hash for a file of the same path, size, times and inode. A file that changed less than
        `SETTLED_S` seconds ago is hashed again.

        Raises
        ------
        OSError : the file cannot be read.
        """
        state = path.stat()
        if time.time() - max(state.st_mtime, state.st_ctime) <= SETTLED_S:
            return _sha256(path)
        key = FILE_HASH_MAKER.key(path, state.st_size, state.st_mtime_ns, state.st_ctime_ns, state.st_ino)
        if key not in self._hashes:
            self._hashes[key] = self.cache.get_or_make(key, TEXT, lambda: _sha256(path))
        return self._hashes[key]

    def sha256_of_all(self, paths: Sequence[Path]) -> list[tuple[str, str]] | None:
        """Return path and hash of files as they are, and of the files beside them that decide what they say.

        None where one cannot be read, or a raster is made of something that is no file here, such as a member of an archive: what
        is made of them cannot be cached.
        """
        if not all(is_of_files(path) for path in paths):
            return None
        try:
            return [(str(path), self.sha256_as_it_is(path)) for path in with_parts(paths)]
        except OSError:
            return None

    def refuse_arriving(self, path: Path) -> None:
        """Raise StillArrivingError when a file is still being written."""
        if path in self.arriving:
            raise StillArrivingError(f"{path} is still being written: it is left for the next night, complete by then")


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def flight_key(
    files: FlightFiles,
    hashes: Mapping[str, Sequence[Sequence[str]]],
    grid: BasinGrid,
    known: GroundLayers,
    limits: FlightLimits,
) -> str:
    """Return the cache key of a flight.

    Parameters
    ----------
    files : the flight.
    hashes : by role, path and sha256 of every file that is read for it; findings name the paths.
    known : what is known of the ground.
    """
    return FLIGHT_MAKER.key(
        [files.flight_id, files.date, files.depth_se_m, files.codes, files.metres_per_unit],
        hashes,
        grid.lattice,
        [known.elevation_m, known.canopy],
        limits.model_dump(mode="json", include=set(FlightLimits.model_fields)),
    )


def _encode(outcome: Outcome) -> memoryview:
    if isinstance(outcome, RefusedFlightError):
        return arrays_bytes({}, {"refused": str(outcome)})
    return grids_bytes(*outcome)


def _decode(body: memoryview) -> Outcome:
    arrays, facts = arrays_of(body)
    if "refused" in facts:
        return RefusedFlightError(facts["refused"])
    return grids_of(arrays, facts)


OUTCOME: Encoding[Outcome] = Encoding(_encode, _decode)
"""A measured flight with its findings, or why it was refused."""
