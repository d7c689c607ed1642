"""A day's inputs as canonical rows and grids: what is archived of them, and the inputs made from that."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd
import xarray as xr
from pyproj import CRS

from snowtally.archive.grids import GridRole, Grids
from snowtally.estimate.day_inputs import DayInputs
from snowtally.flights.together import one_a_day
from snowtally.gather.covers import with_age
from snowtally.gather.earlier_flights import EARLIER_PAIRS
from snowtally.gather.earlier_visits import EARLIER_VISITS
from snowtally.gather.ground import Measured, forecast_rows, gather_ground
from snowtally.model.basin import Basin
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import FINDING_COLUMNS, ArchiveError, Finding, findings_table
from snowtally.publishing.record import plain
from snowtally.settings.basin import Settings
from snowtally.snow.past_pattern import PAST_PATTERN

POSITIONS = " places"
"""Behind a table's name in the archive: where its rows stood."""

NOTICED = "findings of reading"
"""Archived table of the findings that no check of the archived rows can make again."""

FIGURES = "figures of flights"
"""Archived table of each flight's figures: they are made with its pixels, which are not archived."""

ZONES = "zones"
"""Archived table of the zones' outlines as they were given: nothing is made from it again, the terrain has the cells' zones."""


@dataclass(frozen=True)
class DayRows:
    """What a day's inputs are assembled from.

    Parameters
    ----------
    tables : canonical tables by name.
    grids : as `as_archived` gives them, terrain among them.
    figures : of each flight, for the record.
    noticed : the findings of reading.
    """

    tables: Mapping[str, pd.DataFrame]
    grids: Grids[xr.Dataset]
    figures: list[dict[str, Any]]
    noticed: list[Finding]


def inputs_from_archived(
    settings: Settings, date: dt.date, rows: dict[str, pd.DataFrame], grids: Grids[xr.Dataset]
) -> DayInputs:
    """Return the science's inputs of a date from what the archive holds.

    Parameters
    ----------
    rows, grids : what `Readings` holds of rows, grids and beside, as they come back from the archive.

    Raises
    ------
    ArchiveError : the archive is from before rows were archived with their positions.
    """
    tables, noticed = tables_from_archived(rows)
    figures = [json.loads(text) for text in rows[FIGURES]["figures"]]
    if grids.terrain is None:
        raise KeyError(GridRole.TERRAIN.value)
    grid = _grid_of(grids.terrain, settings.grid.cell_m)
    measured = gather_ground(settings, grid, tables, date)
    return assembled(settings, date, grid, measured, DayRows(tables, grids, figures, noticed))


def assembled(settings: Settings, date: dt.date, grid: BasinGrid, measured: Measured, rows: DayRows) -> DayInputs:
    """Return the science's inputs of a date, read now or archived."""
    grids = rows.grids
    if grids.terrain is None:
        raise KeyError(GridRole.TERRAIN.value)
    terrain = grids.terrain
    terrain = terrain.assign({name: terrain[name].astype("i4") for name in ("zone", "band")})
    terrain = terrain.assign_attrs(bands=[tuple(edges) for edges in terrain.attrs["bands"]])
    return DayInputs(
        day=settings.day(date),
        title=settings.basin.title,
        noon_utc=dt.datetime.combine(date, dt.time(12)) - dt.timedelta(hours=settings.basin.utc_offset_hours),
        basin=Basin(grid, terrain, [tuple(zone) for zone in terrain.attrs["zones"]]),
        ground=measured.record,
        densities=measured.densities,
        earlier_densities=measured.earlier_densities if len(measured.earlier_densities) else None,
        flights=one_a_day(list(grids.flights.values())),
        flight_figures=rows.figures,
        normals=rows.tables.get("normals"),
        forecast=forecast_rows(rows.tables, date) if settings.inputs.weather else None,
        albedo=None if grids.albedo is None else with_age(grids.albedo, date),
        earlier_pairs=rows.tables.get(EARLIER_PAIRS),
        cover=None if grids.cover is None else grids.cover["snow_cover_fraction"].to_numpy(),
        past_pattern=None if grids.past_pattern is None else grids.past_pattern[PAST_PATTERN].to_numpy(),
        earlier_covers=[
            (day, cover["snow_cover_fraction"].to_numpy()) for day, cover in sorted(grids.earlier_covers.items())
        ],
        checks=findings_table(rows.noticed + measured.findings),
    )


def figures_table(figures: list[dict[str, Any]]) -> pd.DataFrame:
    """Return the flights' figures as a table of one JSON text each."""
    texts = [json.dumps(plain(one), sort_keys=True) for one in figures]
    return pd.DataFrame({"figures": pd.Series(texts, dtype=str)})


def _grid_of(terrain: xr.Dataset, cell_m: float) -> BasinGrid:
    """Return the grid that a terrain lies on.

    The terrain's coordinates are cell centres.
    """
    left, top = float(terrain["x"][0]) - cell_m / 2, float(terrain["y"][0]) + cell_m / 2
    return BasinGrid(CRS(terrain.attrs["crs"]), cell_m, left, top, terrain.sizes["x"], terrain.sizes["y"])


def canonical(tables: dict[str, pd.DataFrame]) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """Return rows by what they say, and apart from them where they stood.

    Returns
    -------
    rows : by table, in the order of what they say.
    positions : by table's name with `POSITIONS`, for the same rows in the same order `file`, `line`, `order` (of the files) and
        the date, by which they are archived month by month.
    """
    rows, positions = {}, {}
    for name, table in tables.items():
        said = [column for column in table.columns if column not in NOT_SAID]
        # Categories would sort by their order, not by what they say.
        plain_text = table.astype({column: str for column, kind in table.dtypes.items() if kind == "category"})
        ordered = plain_text.assign(order=pd.factorize(plain_text["file"])[0])
        ordered = ordered.sort_values([*said, "order", "line"], kind="stable", ignore_index=True)
        rows[name] = ordered[said]
        positions[f"{name}{POSITIONS}"] = ordered[[*(c for c in said if c == "date"), "file", "line", "order"]]
    return rows, positions


NOT_SAID = ("file", "line", "row", "column")
"""Columns of where a row stood and of which cell it fell into: not what it says."""

_READ_BY = {
    "stations": ["site_id", "time"],
    EARLIER_VISITS: ["site_id", "date"],
    EARLIER_PAIRS: ["site_id", "date"],
    "overrides": ["site_id", "first", "file", "line"],
}
"""Order in which the readers give a table's rows; the others come as they stand in their files."""


def tables_from_archived(archived: dict[str, pd.DataFrame]) -> tuple[dict[str, pd.DataFrame], list[Finding]]:
    """Return tables as they were read, and the findings of reading.

    Raises
    ------
    ArchiveError : the archive is from before rows were archived with their positions.
    """
    tables = {}
    if NOTICED not in archived:
        raise ArchiveError(
            "This revision was published before rows were kept with their places: it cannot be made again."
        )
    for name in [one.removesuffix(POSITIONS) for one in archived if one.endswith(POSITIONS)]:
        placed = archived[name].assign(**{c: archived[f"{name}{POSITIONS}"][c] for c in ("file", "line", "order")})
        by = _READ_BY.get(name, ["order", "line"])
        tables[name] = placed.sort_values(by, kind="stable", ignore_index=True).drop(columns="order")
    noticed = archived[NOTICED][FINDING_COLUMNS].to_dict("records")
    return tables, [Finding.from_plain({str(key): value for key, value in row.items()}) for row in noticed]
