"""What a night would use of each input, site and flight, counted from the inputs that a night itself would have."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from snowtally.gather.archived_day import NOTICED, POSITIONS
from snowtally.gather.covers import with_age
from snowtally.gather.day import TABLES, Readings
from snowtally.gather.sources import source_of
from snowtally.inputs.columns import Table
from snowtally.inputs.source import Source
from snowtally.inputs.time_series import SUFFIXES as TIME_SERIES
from snowtally.model.dry_run import DryRun, FlightUse, InputUse, SiteUse, Stretch
from snowtally.model.problems import SEVERITIES
from snowtally.model.rules.rule import Action
from snowtally.settings.basin import Settings
from snowtally.settings.whole import file_formats
from snowtally.snow.carry import STEP_DAYS
from snowtally.snow.site_values import NEAREST_DAYS, site_values


def dry_run(readings: Readings, settings: Settings, impossible: str) -> DryRun:
    """Return what a night on these inputs would use.

    Parameters
    ----------
    readings : the inputs of the night.
    impossible : why it would fail, empty where it would not.
    """
    inputs = readings.inputs
    weather = readings.rows["weather"]["date"].dt.date
    date = inputs.day.date
    return DryRun(
        inputs.day, inputs.title, inputs.basin, impossible,
        inputs=_inputs(readings, settings), sites=_sites(readings), flights=_flights(readings), covers=_covers(readings),
        weather=stretches(day for day in weather if inputs.day.season_start <= day <= date),
        forecast=stretches(day for day in weather if day > date),
        findings=inputs.checks,
    )  # fmt: skip


def stretches(days: Iterable[dt.date]) -> list[Stretch]:
    """Return days as stretches without a gap, the first first.

    >>> [one.days for one in stretches([dt.date(2031, 3, 2), dt.date(2031, 3, 1), dt.date(2031, 3, 5)])]
    [2, 1]
    """
    numbers = np.array(sorted({day.toordinal() for day in days}), int)
    parts = np.split(numbers, np.flatnonzero(np.diff(numbers) > 1) + 1) if len(numbers) else []
    return [Stretch(dt.date.fromordinal(int(part[0])), dt.date.fromordinal(int(part[-1]))) for part in parts]


# --- inputs -----------------------------------------------------------------------------------------------------------


def _inputs(readings: Readings, settings: Settings) -> list[InputUse]:
    """Return the inputs that have files, in the order of the settings."""
    names: dict[str, dict[str, None]] = {}
    for file, _ in readings.files:
        names.setdefault(file.role, {})[file.path.name] = None
    fixed = [role for role in ("zones", "elevation", "canopy") if role in names]
    used = [InputUse(role, list(names[role])) for role in fixed]
    for table in TABLES:
        paths = [file.path for file, _ in readings.files if file.role == table.role]
        if paths:
            source = source_of(settings, table.role, paths)
            counts = _counts(readings, table.role)
            used.append(
                InputUse(
                    table.role, list(names[table.role]), *counts.numbers, *counts.span,
                    units=_units(table, source, readings.rows.get(table.role)), clock=_clock(settings, table),
                )
            )  # fmt: skip
    return used


@dataclass(frozen=True)
class _Counts:
    """Rows read, used and set aside; first and last day."""

    numbers: tuple[int, int, int]
    span: tuple[dt.date | None, dt.date | None] = (None, None)


def _counts(readings: Readings, role: str) -> _Counts:
    """Return how many rows of a table belong to the season so far, are used and are set aside, and their days."""
    lost = _lost_lines(readings, role)
    if role in ("courses", "stations"):
        rows = readings.tally[readings.tally["table"] == role]
        counted, used, aside = (int(rows[name].sum()) for name in ("rows", "used", "set_aside"))
        return _Counts((counted + lost, used, aside + lost), _span(rows["date"]))
    if role == "sites":
        used = len(readings.rows["sites"])
        aside = len(readings.listed) - used + lost
        return _Counts((used + aside, used, aside))
    if role == "flights":
        flights = _flights(readings)
        used = sum(flight.seen is not None for flight in flights)
        return _Counts((len(flights), used, len(flights) - used), _span([flight.date for flight in flights]))
    if role == "covers":
        days = [day for day, _ in _covers(readings)]
        return _Counts((len(days) + lost, len(days), lost), _span(days))
    rows = readings.rows.get(role, pd.DataFrame())
    return _Counts((len(rows) + lost, len(rows), lost), _span(rows.get("date", [])))


def _lost_lines(readings: Readings, role: str) -> int:
    """Return how many lines of a table were set aside in reading, so that they are no rows."""
    noticed = readings.beside[NOTICED]
    lost = noticed[(noticed["table"] == role) & (noticed["line"] > 0) & (noticed["action"] == Action.SET_ASIDE.value)]
    lines = lost[["file", "line"]].drop_duplicates()
    rows = readings.beside.get(f"{role}{POSITIONS}")
    if rows is None or lines.empty:
        return len(lines)
    if role == "sites":
        # Those outside the margin are no rows of the night, but rows that could be read.
        rows = pd.concat([rows, lost.loc[lost["site_id"].isin(readings.listed["site_id"]), ["file", "line"]]])
    rows = rows.loc[rows["line"].isin(lines["line"]), ["file", "line"]].drop_duplicates().astype({"file": str})
    return len(lines) - len(lines.merge(rows, on=["file", "line"]))


def _span(days: Sequence[dt.date] | pd.Series) -> tuple[dt.date | None, dt.date | None]:
    known = pd.Series(pd.to_datetime(list(days))).dropna()
    return (known.min().date(), known.max().date()) if len(known) else (None, None)


def _units(table: Table, source: Source, rows: pd.DataFrame | None) -> list[str]:
    """Return each header of numbers with its unit, as the settings or its canonical header declare it."""
    said: dict[str, None] = {}
    for path in source.files:
        how = source.format_of(path)
        if path.suffix.casefold() in TIME_SERIES:
            said["units as each NetCDF file says"] = None
            continue
        if how.crs is not None:
            said[f"coordinates in {how.crs}"] = None
        for column in table.columns:
            setting = how.columns.get(column.key)
            held = rows is not None and column.name in rows and rows[column.name].notna().any()
            if column.kind != "number" or column.unit is None or not held or (how.crs and column.letters):
                continue
            declared = setting is not None and (setting.column or setting.unit)
            if column.key == "swe" and not declared and _made_of_masses(rows):
                continue
            header = (setting.column if setting else None) or how.elements.get(column.key) or column.header
            if how.monthly is not None and column.key in how.monthly.group:
                # Each month has a column of its own.
                header = f"{column.key} of each month"
            said[f"{header} as {(setting.unit if setting else None) or column.unit}"] = None
    return list(said)


def _made_of_masses(rows: pd.DataFrame | None) -> bool:
    """Return whether each SWE of course samples may come from the masses, so that no header need hold it."""
    if rows is None or "mass_full_g" not in rows:
        return False
    return bool(rows.loc[rows["swe_mm"].notna(), "mass_full_g"].notna().all())


def _clock(settings: Settings, table: Table) -> str:
    """Return what local times of a table are counted by. Empty where it has days alone."""
    if not any(column.kind == "time" for column in table.columns):
        return ""
    formats = file_formats(settings.formats.get(table.role, []))
    clocks = {_clock_words(how.clock): None for how in formats if how.clock is not None}
    clocks |= {f"{site_id}: {_clock_words(clock)}": None for how in formats for site_id, clock in how.clocks.items()}
    return f"local times by {', '.join(clocks)}" if clocks else "local times by the offset written with each"


def _clock_words(clock: float | str) -> str:
    return clock if isinstance(clock, str) else f"UTC{clock:+g} h"


# --- sites ------------------------------------------------------------------------------------------------------------


def _sites(readings: Readings) -> list[SiteUse]:
    """Return every usable site of the sites table, in its order."""
    ground, day, terrain = readings.inputs.ground, readings.inputs.day, readings.inputs.basin.terrain
    date = day.date
    values = _values(readings)
    counting = set(site_values(ground, date).index) | _by_depth_alone(values, ground.sites, date)
    # Repeated ones of a site_id are settled before.
    listed = readings.listed.to_dict("records")
    outside = _outside_m(terrain["zone"].to_numpy() > 0, readings)
    checks = readings.inputs.checks.assign(rank=readings.inputs.checks["severity"].map(SEVERITIES))
    worst = checks.sort_values("rank", kind="stable").drop_duplicates("site_id").set_index("site_id")["rule"]
    counts = checks["site_id"].value_counts()
    tally = dict(list(readings.tally.groupby("site_id")))
    of_site = dict(list(values.groupby("site_id")))
    sites = []
    for row, outside_m in zip(listed, outside, strict=True):
        site_id = row["site_id"]
        placed = ground.sites.loc[site_id] if site_id in ground.sites.index else None
        rows = tally.get(site_id, readings.tally.head(0))
        days = _days(rows, of_site.get(site_id, values.head(0)), date, series=row["kind"] == "station")
        sites.append(
            SiteUse(
                site_id, row["name"], row["kind"], row["x"], row["y"],
                on_grid=placed is not None, outside_m=0.0 if placed is not None and placed["inside"] else float(outside_m),
                stated_m=row["elevation_m"], terrain_m=float("nan") if placed is None else float(placed["elevation_m"]),
                counts=site_id in counting, swe_mm=days.swe_mm, measured_on=days.measured_on,
                used=int(rows["used"].sum()), set_aside=int(rows["set_aside"].sum()),
                with_value=days.with_value, aside=days.aside, holes=days.holes,
                findings=int(counts.get(site_id, 0)), worst=str(worst.get(site_id, "")),
            )
        )  # fmt: skip
    return sites


def _values(readings: Readings) -> pd.DataFrame:
    """Return what the night has of each site by day: site_id, date, swe_mm, depth_m."""
    ground = readings.inputs.ground
    names = ["site_id", "date", "swe_mm", "depth_m"]
    values = pd.concat([ground.daily[names], ground.visits[names]], ignore_index=True)
    return values[values[["swe_mm", "depth_m"]].notna().any(axis=1)].sort_values("date", kind="stable")


def _by_depth_alone(values: pd.DataFrame, sites: pd.DataFrame, date: dt.date) -> set[str]:
    """Return the sites of which a depth counts by the density model: those that have no SWE and a depth near the date."""
    weighed = set(values.loc[values["swe_mm"].notna(), "site_id"])
    alone = values[~values["site_id"].isin(weighed) & values["site_id"].isin(sites.index)]
    reach = np.where(sites["kind"].reindex(alone["site_id"]) == "course", NEAREST_DAYS, STEP_DAYS)
    age = (pd.Timestamp(date) - alone["date"]).dt.days.to_numpy()
    return set(alone.loc[age <= reach, "site_id"])


@dataclass(frozen=True)
class _Days:
    """The days of a site: as in `SiteUse`."""

    swe_mm: float
    measured_on: dt.date | None
    with_value: list[Stretch]
    aside: list[Stretch]
    holes: list[Stretch]


def _days(rows: pd.DataFrame, values: pd.DataFrame, date: dt.date, *, series: bool) -> _Days:
    """Return what each day of a site has, by its SWE; by its depth where no SWE was read.

    Parameters
    ----------
    rows : its rows of the tally.
    values : what the night has of it.
    series : whether days without any value are holes.
    """
    by = "swe" if rows["swe"].any() or values["swe_mm"].notna().any() else "depth"
    name = {"swe": "swe_mm", "depth": "depth_m"}[by]
    last = values.dropna(subset=name).tail(1)
    used = set(values.loc[values[name].notna(), "date"].dt.date)
    read = set(rows.loc[rows[by] > 0, "date"].dt.date)
    known = used | read
    every = (
        {min(known) + dt.timedelta(days=n) for n in range((date - min(known)).days + 1)} if known and series else set()
    )
    return _Days(
        float(last["swe_mm"].iloc[0]) if len(last) else float("nan"), last["date"].iloc[0].date() if len(last) else None,
        stretches(used), stretches(read - used), stretches(every - known),
    )  # fmt: skip


def _outside_m(inside: np.ndarray, readings: Readings) -> np.ndarray:
    """Return the distance of each listed site from the nearest cell of the basin, m, infinite where it is nowhere."""
    grid, listed = readings.inputs.basin.grid, readings.listed
    row, column = np.nonzero(inside)
    sites = listed[["x", "y"]].to_numpy(float)
    known = np.isfinite(sites).all(axis=1)
    distance = np.full(len(sites), np.inf)
    if known.any():
        centres = np.column_stack([grid.x[column], grid.y[row]])
        nearest = centres[cKDTree(centres).query(sites[known])[1]]
        # To the cell's edge, and not to its middle.
        beyond = np.maximum(np.abs(sites[known] - nearest) - grid.cell_m / 2, 0.0)
        distance[known] = np.maximum(np.hypot(*beyond.T), LEAST_OUTSIDE_M)
    return distance


LEAST_OUTSIDE_M = 1.0
"""A site outside the basin lies no nearer, though the edge of a cell goes through it (definition)."""


# --- flights and cover grids ------------------------------------------------------------------------------------------


def _flights(readings: Readings) -> list[FlightUse]:
    """Return the season's flights up to the date, those refused too, oldest first."""
    shares = {one["flight_id"]: one["seen_of_basin"] for one in readings.inputs.flight_figures}
    used = [
        FlightUse(
            flight_id, dt.date.fromisoformat(grid.attrs["date"]), shares[flight_id], grid["valid_fraction"].to_numpy()
        )
        for flight_id, grid in readings.grids.flights.items()
    ]
    season = str(readings.inputs.day.season_start)
    refused = {
        (one.site_id, one.start): FlightUse(one.site_id, dt.date.fromisoformat(one.start))
        for one in readings.findings
        if one.table == "flights" and one.site_id and one.site_id not in shares and one.start >= season
    }
    return sorted([*used, *refused.values()], key=lambda flight: (flight.date, flight.flight_id))


def _covers(readings: Readings) -> list[tuple[dt.date, str]]:
    """Return day and variable of each cover grid used, oldest first."""
    grids = readings.grids
    seen = [(day, "snow cover") for day in grids.covers(readings.inputs.day.date)]
    if grids.albedo is not None:
        ages = with_age(grids.albedo, readings.inputs.day.date)["age_days"].to_numpy()
        seen += [
            (readings.inputs.day.date - dt.timedelta(days=int(age)), "albedo")
            for age in np.unique(ages[np.isfinite(ages)])
        ]
    return sorted(seen)
