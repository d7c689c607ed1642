"""A day of 1.6 million cells written: `estimate.nc`, four cloud-optimised GeoTIFFs and ten days of melt, against plain netCDF."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path

import netCDF4
import numpy as np
import pandas as pd
import xarray as xr
from timing import Figure, Runs, alternate, no_more_than, slower_at_most

from snowtally.archive.columns import COLUMNS
from snowtally.model.day import Day, Outlook
from snowtally.publishing.estimate_nc import rounded_fields, write_estimate
from snowtally.publishing.outlook_files import GRIDS, write_outlook
from snowtally.publishing.rasters import RASTERS, cog_bytes

sys.path.append(str(Path(__file__).parents[1] / "made"))

from made_day import made_day  # the tests' own made-up day

SIDE = 1265
MEASURES = ("swe", "swe_se", "swe_p10", "swe_p90", "depth", "depth_se", "density", "density_se")
"""The eight fields that a night computes; `estimate.nc` holds eight more (classes, ground, coordinates)."""


DAYS = 10


def runs(folder: Path) -> Runs:
    """Return what a day's grids and its outlook's take, and eight unrounded fields by the netCDF library alone."""
    day = made_day(height=SIDE, width=SIDE)
    ahead, area = _outlook(day), rounded_fields(day)["cell_area"]
    plain = {name: day.fields[name].to_numpy().astype("float32") for name in MEASURES}

    def ours() -> None:
        fields = rounded_fields(day)
        write_estimate(day, fields, folder / "estimate.nc")
        for name in RASTERS:
            (folder / f"{name}.tif").write_bytes(cog_bytes(day, name, fields[name]))

    def reference() -> None:
        with netCDF4.Dataset(folder / "plain.nc", "w") as file:
            file.createDimension("y", SIDE)
            file.createDimension("x", SIDE)
            for name, values in plain.items():
                file.createVariable(name, "f4", ("y", "x"), zlib=True, complevel=1)[:] = values

    return {"ours": ours, "plain": reference, "outlook": lambda: write_outlook(day, ahead, area, folder)}


def _outlook(day: Day) -> Outlook:
    """Return ten days on which snow melts by its depth, more each day, until it is gone."""
    swe = day.fields["swe"].to_numpy()
    potential = np.stack([(1.0 + 0.1 * number) * np.sqrt(swe) for number in range(DAYS)])
    gone = np.minimum(np.cumsum(potential, axis=0), swe)
    grids = {
        "potential_melt": potential, "melt": np.diff(gone, axis=0, prepend=0.0), "melt_se": 0.2 * potential,
        "snow_cover": 1.0 - gone / np.maximum(swe, 1.0),
    }  # fmt: skip
    fields = xr.Dataset({name: (("time", "y", "x"), values.astype("f4")) for name, values in grids.items()})
    dates = [day.date + dt.timedelta(days=number) for number in range(1, DAYS + 1)]
    return Outlook(dates, pd.DataFrame(columns=[column.name for column in COLUMNS["outlook"]]), fields)


def figures(folder: Path) -> list[Figure]:
    """Return seconds, the ratio to the plain file, sizes."""
    taken = alternate(runs(folder))
    size = sum((folder / name).stat().st_size for name in ("estimate.nc", *(f"{name}.tif" for name in RASTERS)))
    path = f"a day's grids, {SIDE * SIDE / 1e6:.1f} million cells: estimate.nc with 16 fields, four GeoTIFFs"
    compared = slower_at_most(path, taken["ours"], ("netCDF zlib 1, eight fields, unrounded", taken["plain"]), 2.0)
    return [
        Figure(compared.path, compared.ours, compared.reference, compared.ratio),
        no_more_than("its CPU seconds", taken["ours"].cpu_s, 2.0, "s"),
        Figure("its size", f"{size / 1e6:.1f} MB", f"plain: {(folder / 'plain.nc').stat().st_size / 1e6:.1f} MB"),
        no_more_than(f"the grids of an outlook of {DAYS} days: CPU seconds", taken["outlook"].cpu_s, 5.0, "s"),
        Figure("their size", f"{(folder / GRIDS).stat().st_size / 1e6:.1f} MB"),
    ]
