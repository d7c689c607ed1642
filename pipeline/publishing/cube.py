"""A season's grids as one Zarr folder: a copy for readers who ask for many days at once. The archive stays the truth."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import zarr

from snowtally.model.problems import SnowtallyError
from snowtally.storage.failures import explained

if TYPE_CHECKING:
    import xarray as xr

CHUNK_DAYS, CHUNK_CELLS = 64, 64
"""Days and cells along a side of a chunk: 1 MB of 4-byte values. A season of a cell lies in four chunks, and the grid of a day
costs 64 days' reading; measured in docs/figures.md ("Cube")."""

ZARR_FORMAT = 2
"""The version of Zarr that GDAL of a stable Linux and R read too."""


def write_cube(days: xr.Dataset, folder: Path) -> Path:
    """Write days on (time, y, x) as a Zarr group into `folder`, in place of what it was written with before.

    `days` is what `reading.open_days` gives: lazy, with `revision` on time. It is written beside the folder first, so that a
    run that is stopped leaves the old one whole.

    Raises SnowtallyError where the folder holds something else, and where it cannot be written.
    """
    try:
        before = zarr.open_group(folder, mode="r") if folder.exists() else None
    except FileNotFoundError:
        raise SnowtallyError(f"{folder} is there and no cube: give a new folder, or that of an older cube") from None
    sides = {"time": CHUNK_DAYS, "y": CHUNK_CELLS, "x": CHUNK_CELLS}
    chunked = days.chunk(sides)
    # What the files of the days say of their own chunks and packing does not hold for these.
    for name, variable in chunked.variables.items():
        variable.encoding = {"grid_mapping": "crs"} if name in chunked.data_vars else {}
    with explained(f"Cannot write {folder}"):
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=f".{folder.name}-", dir=folder.parent) as beside:
            new = Path(beside) / "new"
            chunked.to_zarr(new, zarr_format=ZARR_FORMAT, consolidated=True)
            if before is not None:
                folder.rename(Path(beside) / "old")
            new.rename(folder)
    return folder
