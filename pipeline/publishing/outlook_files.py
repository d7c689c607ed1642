"""The melt outlook of a published day: `outlook.csv`, and `melt.nc` as CF-1.11 NetCDF-4 on (time, y, x)."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import netCDF4
import numpy as np

from snowtally.archive.columns import COLUMNS
from snowtally.model.day import Day, Outlook
from snowtally.model.variables import HUNDREDTH, TENTH
from snowtally.publishing.estimate_nc import EPOCH, begin_variable, create_grid_file, rounded, write_field
from snowtally.publishing.tables import csv_bytes, tidy

TABLE, GRIDS = "outlook.csv", "melt.nc"

_STEPS = {"potential_melt": TENTH, "melt": TENTH, "melt_se": TENTH, "snow_cover": HUNDREDTH}
"""Steps to which the grids are rounded: they are below any error."""

_ATTRIBUTES = {
    "potential_melt": {
        "long_name": "melt of the day if the snow cover of the date did not run out, mean of the cell", "units": "kg m-2",
        "cell_methods": "area: mean time: sum", "coverage_content_type": "modelResult",
    },
    "melt": {
        "long_name": "melt of the day, no more than the snow there is, mean of the cell", "units": "kg m-2",
        "standard_name": "surface_snow_melt_amount", "cell_methods": "area: mean time: sum", "ancillary_variables": "melt_se",
        "coverage_content_type": "modelResult",
    },
    "melt_se": {
        "long_name": "standard error of the melt of the day", "units": "kg m-2",
        "standard_name": "surface_snow_melt_amount standard_error", "coverage_content_type": "qualityInformation",
    },
    "snow_cover": {
        "long_name": "fraction of the cell covered by snow at the end of the day", "units": "1",
        "standard_name": "surface_snow_area_fraction", "cell_methods": "area: mean", "coverage_content_type": "modelResult",
    },
}  # fmt: skip
"""1 kg m-2 is 1 mm of water. No two share a standard name: a search for melt finds what is estimated."""


def write_outlook(day: Day, outlook: Outlook, cell_area: np.ndarray, folder: Path) -> None:
    """Write the files of a day's outlook. The same day gives the same bytes.

    `cell_area` is that of `estimate.nc`, as stored.

    Raises ArchiveError when the table is not whole, OSError or RuntimeError when a file cannot be written.
    """
    columns = COLUMNS["outlook"]
    (folder / TABLE).write_bytes(csv_bytes(tidy(outlook.table, columns, "outlook"), columns))
    with netCDF4.Dataset(folder / GRIDS, "w", format="NETCDF4") as file:
        create_grid_file(file, day, _words(day, outlook))
        _write_times(file, day, outlook)
        write_field(file, day, "cell_area", cell_area)
        for name, attributes in _ATTRIBUTES.items():
            _write_grids(file, name, outlook.fields[name].to_numpy(), attributes)


def _words(day: Day, outlook: Outlook) -> dict[str, str]:
    first, last = outlook.dates[0], outlook.dates[-1]
    return {
        "title": f"Melt outlook of {day.title}, {first} to {last}, as of {day.date}",
        "summary": "Daily melt of a basin's snow over the forecast days, from the day's snow water equivalent and the forecast.",
        "id": f"{day.basin_id}_{day.date.isoformat()}_outlook",
        "source": "energy balance of the estimated snow under the forecast of the weather table (snowtally)",
        "comment": "Melt is not runoff: no routing, no losses. Cells without a part in the basin are missing.",
        "time_coverage_start": f"{_midnight(day, first).isoformat()}Z",
        "time_coverage_end": f"{_midnight(day, last + dt.timedelta(days=1)).isoformat()}Z",
        "time_coverage_duration": f"P{len(outlook.dates)}D",
        "processing_level": "forecast: the analysed snow under a weather forecast",
    }


def _midnight(day: Day, date: dt.date) -> dt.datetime:
    """Return local midnight at a date's beginning, UTC."""
    return day.noon_utc + (date - day.date - dt.timedelta(hours=12))


def _write_times(file: netCDF4.Dataset, day: Day, outlook: Outlook) -> None:
    """Write the days as their local noons, bounded by local midnights, and how far they lie ahead."""
    file.createDimension("time", None)
    file.createDimension("nv", 2)
    units = {"units": "hours since 1970-01-01 00:00:00", "calendar": "standard"}
    days = (len(outlook.dates),)
    time = file.createVariable("time", "f8", ("time",), chunksizes=days)
    time.setncatts({
        "standard_name": "time", "long_name": "noon of the local day", **units, "units_metadata": "leap_seconds: none",
        "axis": "T", "bounds": "time_bnds", "coverage_content_type": "coordinate",
    })  # fmt: skip
    bounds = file.createVariable("time_bnds", "f8", ("time", "nv"), chunksizes=(*days, 2))
    starts = np.array([(_midnight(day, date) - EPOCH) / dt.timedelta(hours=1) for date in outlook.dates])
    time[:] = starts + 12.0
    bounds[:] = np.column_stack([starts, starts + 24.0])
    reference = file.createVariable("forecast_reference_time", "f8", ())
    reference.setncatts({
        "standard_name": "forecast_reference_time", "long_name": "instant of the estimate whose snow melts, local noon",
        **units, "units_metadata": "leap_seconds: none", "coverage_content_type": "coordinate",
    })  # fmt: skip
    reference[...] = (day.noon_utc - EPOCH) / dt.timedelta(hours=1)
    ahead = file.createVariable("forecast_period", "f8", ("time",), chunksizes=days)
    ahead.setncatts({
        "standard_name": "forecast_period", "long_name": "how far the day's noon lies ahead", "units": "hours",
        "coverage_content_type": "coordinate",
    })  # fmt: skip
    ahead[:] = time[:] - reference[...]


def _write_grids(file: netCDF4.Dataset, name: str, values: np.ndarray, attributes: dict[str, str]) -> None:
    variable = begin_variable(file, name, "f4", ("time", "y", "x"), np.float32(np.nan))
    variable.setncatts(
        attributes
        | {
            "grid_mapping": "crs",
            "cell_measures": "area: cell_area",
            "coordinates": "forecast_reference_time forecast_period lat lon",
        }
    )
    for number, grid in enumerate(values):
        # Day by day: rounding all days at once would hold them twice.
        variable[number] = rounded(grid, _STEPS[name])
