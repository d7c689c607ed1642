"""A day of 1.6 million cells written: `estimate.nc` and four cloud-optimised GeoTIFFs, against plain netCDF."""

from __future__ import annotations

import sys
from pathlib import Path

import netCDF4
from timing import Figure, Runs, alternate, no_more_than, slower_at_most

from snowtally.publishing.estimate_nc import rounded_fields, write_estimate
from snowtally.publishing.rasters import RASTERS, cog_bytes

sys.path.append(str(Path(__file__).parents[1] / "made"))

from made_day import made_day  # the tests' own made-up day

SIDE = 1265
MEASURES = ("swe", "swe_se", "swe_p10", "swe_p90", "depth", "depth_se", "density", "density_se")
"""The eight fields that a night computes; `estimate.nc` holds eight more (classes, ground, coordinates)."""


def runs(folder: Path) -> Runs:
    """Return everything that writing a day's grids takes, and eight unrounded fields by the netCDF library alone."""
    day = made_day(height=SIDE, width=SIDE)
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

    return {"ours": ours, "plain": reference}


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
    ]
