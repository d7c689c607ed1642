"""From a day to the files that people open: grids as NetCDF and GeoTIFF, tables as CSV and Parquet.

The same day gives the same bytes in every file: no clock, no host, fixed decimals.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from errno import EACCES, EIO, ENOSPC
from pathlib import Path

from snowtally.archive.columns import COLUMNS
from snowtally.model.day import Day
from snowtally.model.problems import ArchiveError
from snowtally.publishing.estimate_nc import rounded_fields, write_estimate
from snowtally.publishing.map_files import map_files
from snowtally.publishing.outlook_files import GRIDS, write_outlook
from snowtally.publishing.rasters import RASTERS, cog_bytes
from snowtally.publishing.tables import add_up, arrow_table, csv_bytes, parquet_bytes, tidy

_FULL_BYTES = 1 << 20
"""A library that failed to write with less than this free failed for want of room; it does not say so itself."""


def pack(day: Day, folder: Path) -> list[str]:
    """Write the files of `day` into an empty folder; return their sorted names.

    Values are rounded as `snowtally.model.variables` and `snowtally.publishing.tables` say. Volumes and areas are stored so that
    they add up exactly: those of zone-bands are rounded to 1 m3 and 1 m2, and the others are the sums of these.

    Raises ArchiveError when the day does not hold what the contract asks for, OSError when it cannot be written.
    """
    fields = rounded_fields(day)
    tables = _tables(day)
    with _full_disk_reported(folder / "estimate.nc"):
        write_estimate(day, fields, folder / "estimate.nc")
    if day.outlook is not None:
        with _full_disk_reported(folder / GRIDS):
            write_outlook(day, day.outlook, fields["cell_area"], folder)
    for name in RASTERS:
        (folder / f"{name}.tif").write_bytes(cog_bytes(day, name, fields[name]))
    for name, data in tables.items():
        (folder / name).write_bytes(data)
    return sorted(path.name for path in folder.iterdir())


@contextmanager
def _full_disk_reported(path: Path) -> Iterator[None]:
    """Raise a failed write of a NetCDF file as an OSError."""
    try:
        yield
    except (OSError, RuntimeError) as error:
        full = shutil.disk_usage(path.parent).free < _FULL_BYTES
        # The library may keep a file that it could not close: removing it alone would not give its room back.
        with suppress(OSError):
            os.truncate(path, 0)
        # The library reports every failed write as a RuntimeError or an OSError with a number of its own.
        number = (error.errno or 0) if isinstance(error, OSError) else 0
        # A file that it cannot make for want of room it reports as one that it may not make.
        if number > 0 and not (full and number == EACCES):
            raise
        raise OSError(ENOSPC if full else EIO, str(error), str(path)) from error


def _tables(day: Day) -> dict[str, bytes]:
    totals = add_up(tidy(day.totals, COLUMNS["totals"], "totals"))
    if {*zip(totals["basin_id"], totals["date"], strict=True)} - {(day.basin_id, day.date)}:
        raise ArchiveError(f"The totals of {day.basin_id} {day.date} have rows of another basin or date.")
    covariance = tidy(day.totals_covariance, COLUMNS["totals_covariance"], "totals_covariance")
    makers = day.metadata.attributes or None
    tables = {
        "totals.csv": csv_bytes(totals, COLUMNS["totals"]),
        "totals.parquet": parquet_bytes(arrow_table(totals, COLUMNS["totals"]).replace_schema_metadata(makers)),
        "totals_covariance.parquet": parquet_bytes(
            arrow_table(covariance, COLUMNS["totals_covariance"]).replace_schema_metadata(makers)
        ),
    }
    named = {"sites": day.sites, "checks": day.checks, "skill": day.skill, "normals": day.normals}
    tidied = {name: tidy(table, COLUMNS[name], name) for name, table in named.items() if table is not None}
    tables |= {f"{name}.csv": csv_bytes(table, COLUMNS[name]) for name, table in tidied.items()}
    return tables | map_files(day, totals, tidied["sites"])
