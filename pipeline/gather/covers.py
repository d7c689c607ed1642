"""What was seen of the snow from above: snow-cover grids of the day and of days before, and albedo."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from snowtally.archive.grids import GridRole, Grids, earlier_cover_name
from snowtally.gather.sources import DaySources
from snowtally.inputs.cover_checks import doubted_cover
from snowtally.inputs.find import InputFile, describe, unreadable_file
from snowtally.inputs.read_covers import CoverEntry, read_covers
from snowtally.model.grid import BasinGrid
from snowtally.model.ground import GroundRecord
from snowtally.model.problems import Finding, InputError, StillArrivingError
from snowtally.model.rules import flights as rules
from snowtally.model.rules.files import UNREADABLE_FILE

EARLIER_COVERS, EARLIER_COVER_DAYS = 3, 30
"""So many snow-cover grids of days before are read, none older than so many days: one is often cloudy, and what older ones saw bare
has mostly been snowed in or stays bare in newer ones (chosen)."""

ALBEDO_DAYS = 30
"""Days after which an observed albedo is no longer used: it moves by a fifth of its way a day (chosen)."""


@dataclass(frozen=True)
class CoverGrid:
    """A snow-cover grid.

    Parameters
    ----------
    entry : its row in the covers table.
    fraction : snow-covered fraction on the basin grid, (y, x), missing under cloud.
    """

    entry: CoverEntry
    fraction: np.ndarray


@dataclass(frozen=True)
class CoversRead:
    """What was seen of the snow from above.

    Parameters
    ----------
    grids : cover, earlier covers and albedo.
    files : the files read, with the name of the grid made from each.
    findings : everything noticed.
    """

    grids: Grids[xr.Dataset]
    files: list[tuple[InputFile, str]]
    findings: list[Finding]


def gather_covers(sources: DaySources, grid: BasinGrid, record: GroundRecord) -> CoversRead:
    """Return what was seen of the snow from above up to the date.

    A cover grid that the sites contradict is left out, with a finding.
    """
    today, findings = gather_cover(sources, grid, sources.date)
    earlier, noticed = _earlier_covers(sources, grid)
    findings += noticed
    named = [] if today is None else [(GridRole.COVER.value, today)]
    named += [(earlier_cover_name(cover.entry.date), cover) for cover in earlier]
    crs = grid.crs.to_wkt()
    fractions, used = {}, []
    for name, cover in named:
        doubts = doubted_cover(cover.fraction, cover.entry.date, record, grid)
        findings += [replace(doubt, file=str(cover.entry.path)) for doubt in doubts]
        if not doubts:
            fields = {"snow_cover_fraction": grid.array(cover.fraction, units="1")}
            fractions[name] = xr.Dataset(fields, attrs={"crs": crs})
            used.append((name, cover.entry))
    grids = Grids.from_names(fractions)
    grids.albedo, entries, noticed = _albedo(sources, grid)
    findings += noticed
    used += [(GridRole.ALBEDO.value, entry) for entry in entries]
    files = [(describe(f"cover {entry.date} {entry.variable}", entry.path), name) for name, entry in used]
    return CoversRead(grids, files, findings)


def gather_cover(sources: DaySources, grid: BasinGrid, day: dt.date) -> tuple[CoverGrid | None, list[Finding]]:
    """Return the snow-cover grid of a day, and the findings.

    The grid is None where there is none that can be used.
    """
    entries, findings = read_covers(sources.table("covers"), (day, day))
    for entry in entries:
        if entry.variable == "snow_cover_fraction":
            try:
                return CoverGrid(entry, sources.fraction(entry.path, grid)), findings
            except InputError as trouble:
                findings.append(_unusable(entry, trouble))
    return None, findings


def _earlier_covers(sources: DaySources, grid: BasinGrid) -> tuple[list[CoverGrid], list[Finding]]:
    """Return the season's newest snow-cover grids before the date, newest first.

    A fault of one is a finding of its own day; only a file that is still being written is a finding here.
    """
    first = max(sources.date - dt.timedelta(days=EARLIER_COVER_DAYS), sources.season_start)
    entries, _ = read_covers(sources.table("covers"), (first, sources.date - dt.timedelta(days=1)))
    covers: list[CoverGrid] = []
    findings = []
    for entry in reversed(entries):
        if entry.variable == "snow_cover_fraction" and len(covers) < EARLIER_COVERS:
            try:
                covers.append(CoverGrid(entry, sources.fraction(entry.path, grid)))
            except StillArrivingError as trouble:
                findings.append(_unusable(entry, trouble))
            except InputError:
                continue
    return covers, findings


def _albedo(sources: DaySources, grid: BasinGrid) -> tuple[xr.Dataset | None, list[CoverEntry], list[Finding]]:
    """Return the newest albedo, the rows used, and the findings.

    Each cell has its newest albedo with its day: `snow_albedo` and `seen_on` (days since 1970) lie on (y, x), missing where none
    was seen. So the nights until the next albedo share one archived grid. The albedo is None where no row was used. Faults of rows of an earlier day are findings of that day. A raster
    that cannot be read is a finding as long as it would count.
    """
    first = max(sources.date - dt.timedelta(days=ALBEDO_DAYS), sources.season_start)
    entries, _ = read_covers(sources.table("covers"), (first, sources.date))
    albedo, day = (np.full(grid.shape, np.nan) for _ in range(2))
    used, findings = [], []
    for entry in entries:
        if entry.variable != "snow_albedo":
            continue
        try:
            values = sources.fraction(entry.path, grid)
        except StillArrivingError as trouble:
            findings.append(_unusable(entry, trouble))
            continue
        except InputError as trouble:
            findings.append(unreadable_file("covers", entry.path, str(trouble).removeprefix(f"{entry.path} ")))
            continue
        seen = np.isfinite(values)
        albedo[seen], day[seen] = values[seen], _day_number(entry.date)
        used.append(entry)
    if not used:
        return None, [], findings
    fields = {"snow_albedo": grid.array(albedo, units="1"), "seen_on": grid.array(day, units="days")}
    return xr.Dataset(fields, attrs={"crs": grid.crs.to_wkt()}), used, findings


def with_age(albedo: xr.Dataset, date: dt.date) -> xr.Dataset:
    """Return what was seen of the albedo with `age_days` on a date.

    Archives of before hold the age itself, of their own date.
    """
    return albedo if "age_days" in albedo else albedo.assign(age_days=_day_number(date) - albedo["seen_on"])


def _day_number(date: dt.date) -> int:
    return (date - dt.date(1970, 1, 1)).days


def _unusable(entry: CoverEntry, trouble: InputError) -> Finding:
    """Return the finding that a row's raster cannot be read yet, or at all."""
    return Finding(
        rules.FLIGHT_STILL_ARRIVING if isinstance(trouble, StillArrivingError) else UNREADABLE_FILE,
        "covers",
        file=str(entry.table),
        line=entry.line,
        start=str(entry.date),
        end=str(entry.date),
        detail=str(trouble),
    )
