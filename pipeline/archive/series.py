"""Time series of a basin's units: its zones, bands, zone-bands or sites over the dates of an archive."""

from __future__ import annotations

from typing import Any, Literal, get_args

import pandas as pd
import xarray as xr

from snowtally.archive.columns import COLUMNS, Column

Level = Literal["basin", "zone", "band", "zone_band", "site"]
"""What a series has one column for."""

LEVELS: tuple[Level, ...] = get_args(Level)

UNIT = "unit"
"""The column that names a row's unit, and the dimension of a series."""

_EDGES = ("band_low_m", "band_high_m")
_FIXED = (*_EDGES, "x", "y", "elevation_m")
"""Columns that say where a unit lies, not how it was on a day."""

_OF_ALL_DAYS = (
    "basin_id", "institution", "creator_name", "creator_email", "publisher_name", "license", "project", "acknowledgement",
)  # fmt: skip
"""Attributes of a day's grids that a series bears too, where they are there (ACDD)."""

_HISTORY = "put together by snowtally from the archive's current revisions; their numbers stand in `revision`"

_UNITS = {"mm": "mm", "m3": "m3", "km2": "km2", "m": "m", "days": "days"}
"""Units that the end of a column's name tells."""


def total_rows(totals: pd.DataFrame, of: Level) -> pd.DataFrame:
    """Return the totals of one level, each row named by its unit.

    >>> rows = pd.DataFrame({"level": ["basin", "band"], "basin_id": "larkmoor", "zone_id": None, "band_low_m": [None, 1800.0],
    ...                      "band_high_m": [None, 2000.0]})
    >>> total_rows(rows, "basin")["unit"].tolist(), total_rows(rows, "band")["unit"].tolist()
    (['larkmoor'], ['1800-2000'])
    """
    rows = totals[totals["level"] == of]
    band = [f"{low:g}-{high:g}" for low, high in rows[list(_EDGES)].to_numpy(float)]
    names = {
        "basin": rows["basin_id"],
        "zone": rows["zone_id"],
        "band": band,
        "zone_band": [f"{zone} {edges}" for zone, edges in zip(rows["zone_id"], band, strict=True)],
    }
    return rows.assign(**{UNIT: names[of]})


def as_dataset(rows: pd.DataFrame, days: pd.DataFrame, last: xr.Dataset) -> xr.Dataset:
    """Return rows named by `unit` as a CF time series on (time, unit).

    `days` are dates and revisions. The grids of the last day tell the local noon and what is said of all days.
    """
    columns = {c.name: c for c in (*COLUMNS["totals"], *COLUMNS["sites"]) if c.kind == "number" and c.name in rows}
    units = list(dict.fromkeys(rows[UNIT]))
    noon = pd.DatetimeIndex(days["date"]) + (pd.Timestamp(last["time"].to_numpy()[()]) - days["date"].iloc[-1])
    midnight = noon - pd.Timedelta(hours=12)
    data: dict[str, Any] = {}
    coordinates: dict[str, Any] = {
        "time": (
            "time",
            midnight + pd.Timedelta(hours=12),
            {"standard_name": "time", "axis": "T", "bounds": "time_bounds", "units_metadata": "leap_seconds: none"},
        ),
        UNIT: (UNIT, units, {"long_name": "name of the unit"}),
        "date": ("time", days["date"].dt.strftime("%Y-%m-%d").to_numpy(object), {"long_name": "local day"}),
        "revision": ("time", days["revision"].to_numpy(), {"long_name": "revision of the date"}),
    }
    for name, column in columns.items():
        grid = rows.pivot_table(name, "date", UNIT, "first").reindex(index=days["date"], columns=units).astype(float)
        if name not in _FIXED:
            data[name] = (("time", UNIT), grid.to_numpy(), _attributes(column))
        elif grid.notna().to_numpy().any():
            coordinates[name] = (UNIT, grid.ffill().iloc[-1].to_numpy(), _attributes(column))
    data["time_bounds"] = (("time", "bounds"), [(start, start + pd.Timedelta(days=1)) for start in midnight])
    title = (
        f"Snow water equivalent of {last.attrs['basin_id']}, {days['date'].iloc[0]:%Y-%m-%d} to {last.attrs['date']}"
    )
    series = xr.Dataset(data, coordinates)
    for name in ("time", "time_bounds"):
        series[name].encoding = {"units": "hours since 1970-01-01 00:00:00", "dtype": "float64", "_FillValue": None}
    said = {name: value for name, value in last.attrs.items() if name in _OF_ALL_DAYS}
    return series.assign_attrs({"Conventions": "CF-1.11", "title": title, "history": _HISTORY, **said})


def as_stored(series: xr.Dataset) -> xr.Dataset:
    """Return a series as CF has it in a file: time last, and names beside their dimension, whose own variable is a number."""
    return series.reset_index(UNIT).rename_vars({UNIT: "unit_name"}).transpose(UNIT, ...)


def _attributes(column: Column) -> dict[str, str]:
    words, _, unit = column.name.rpartition("_")
    if column.name.endswith("kg_m3"):
        words, unit = column.name.removesuffix("_kg_m3"), "kg m-3"
    where = column.name in _FIXED
    attributes = {
        "long_name": words.replace("_", " ") or column.name,
        "units": _UNITS.get(unit, unit if unit == "kg m-3" else "m"),
    }
    return attributes if where else attributes | {"cell_methods": "time: mean"}
