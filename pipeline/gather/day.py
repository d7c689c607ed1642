"""From the settings' files to the inputs of one basin day: found, read, checked, on the basin grid, nothing dated later."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.archive.current import Loss
from snowtally.archive.grids import Grids
from snowtally.estimate.day_inputs import Choices, DayInputs
from snowtally.flights.cache import FlightCache
from snowtally.gather.archived_day import FIGURES, NOTICED, ZONES, DayRows, assembled, canonical, figures_table
from snowtally.gather.basin import gather_basin
from snowtally.gather.before import ReadNow, lost_since_sound
from snowtally.gather.covers import gather_covers
from snowtally.gather.earlier_flights import EARLIER_PAIRS, earlier_pairs, gather_earlier_flights
from snowtally.gather.earlier_visits import EARLIER_VISITS
from snowtally.gather.flights import gather_flights
from snowtally.gather.ground import gather_ground, gather_tables
from snowtally.gather.sources import FIXED, DaySources, fixed_files
from snowtally.gather.span import check_covered
from snowtally.inputs.find import InputFile, find_tables, is_file
from snowtally.inputs.known_tables import TABLES
from snowtally.inputs.relative import relative_to, with_relative_files
from snowtally.model.problems import Finding, findings_table
from snowtally.model.reasons import Reason, in_words
from snowtally.model.rules.files import STILL_ARRIVING
from snowtally.publishing.archived_grids import as_archived
from snowtally.settings.basin import Settings
from snowtally.snow.blend import asks_trees
from snowtally.storage.cache import Cache
from snowtally.terrain.landform_cache import cached_landform

Stage = Callable[[str], None]
"""Called with the name of each stage as it begins, for a progress bar or a log."""


@dataclass(frozen=True)
class Readings:
    """What the inputs hold for a date: nothing dated after it.

    Parameters
    ----------
    inputs : the science's inputs.
    files : every file found, with the name of the rows or grid used from it.
    rows, grids : canonical rows (by name) and grids that the day may use; their hashes are its identity.
    hashes : of rows and grids by name.
    beside : what is archived with them to make the same day again: where each row stood, the findings of reading, the flights'
        figures for the record.
    findings : everything noticed.
    listed : every usable site of the sites table with x and y (m), those off the grid too.
    tally : what became of the rows of courses and stations (`gather.tally`).
    """

    inputs: DayInputs
    files: list[tuple[InputFile, str]]
    rows: dict[str, pd.DataFrame]
    grids: Grids[xr.Dataset]
    hashes: dict[str, str]
    beside: dict[str, pd.DataFrame]
    findings: list[Finding]
    listed: pd.DataFrame
    tally: pd.DataFrame

    @property
    def losses(self) -> list[Loss]:
        """What degrades the night, empty when nothing does."""
        return [Loss.of(f, _why(f)) for f in self.findings if f.degrades]

    @property
    def degraded(self) -> list[str]:
        """Why the night is degraded, one line each, that of several files once; empty when it is not."""
        return in_words(Reason(f.file, _why(f)) for f in self.findings if f.degrades)


def _why(finding: Finding) -> str:
    """Return a degrading finding as one line.

    The line has the rule, the site or flight, the evidence, and the cure.
    """
    about = f" {finding.site_id}" if finding.site_id else ""
    evidence = f" ({finding.evidence})" if finding.evidence else ""
    return f"{finding.rule.name}{about}{evidence}: {finding.detail}"


def read_inputs(
    settings: Settings,
    date: dt.date,
    stage: Stage,
    *,
    keep: bool = False,
    arriving: frozenset[Path] = frozenset(),
    by_hand: bool = False,
) -> Readings:
    """Return every input that a date may use, read and checked.

    Parameters
    ----------
    keep : whether what took long to read is cached beside the archive for the next night.
    arriving : files still being written: flights and cover grids among them are left out, tables read as they are.
    by_hand : whether an analyst asked for the date: values that changed massively are then taken over.

    Raises
    ------
    SnowtallyError : a required input cannot be used. Optional ones that cannot are findings.
    """
    stage("finding inputs")
    files, findings = find_tables(
        {role: [settings.path(p) for p in getattr(settings.inputs, role)] for role in OPTIONAL_TABLES}
    )
    findings += [_growing(file) for listed in files.values() for file in listed if file.path in arriving]
    cache = FlightCache(Cache(settings.cache_folder("flights"), keep), arriving)
    sources = DaySources(settings, date, files, Cache(settings.cache_folder("readings"), keep), cache)
    stage("reading the terrain")
    fixed = _fixed_files(settings, cache)
    where = gather_basin(sources)
    basin = where.basin
    findings += where.findings
    stage("reading the measurements")
    read = gather_tables(sources, basin)
    tables = read.tables
    findings += read.findings
    check_covered(sources, tables, dt.datetime.now(dt.UTC))
    # From the settings file on: where a checkout lies is not what a day was made from.
    home = settings.file.parent
    tables = {name: with_relative_files(table, home) for name, table in tables.items()}
    measured = gather_ground(settings, basin.grid, tables, date)
    stage("reading the flights")
    flown = gather_flights(sources, basin, measured.record)
    findings += flown.findings
    earlier = gather_earlier_flights(sources, basin, flown.tables)
    # This season's flights show where snow lies: earlier ones matter for their voids alone.
    findings += [] if flown.grids else earlier.findings
    pairs = earlier_pairs(sources, basin.grid, tables["sites"], tables.get(EARLIER_VISITS), earlier.flights)
    tables |= {EARLIER_PAIRS: with_relative_files(pairs, home)} if len(pairs) else {}
    covers = gather_covers(sources, basin.grid, measured.record)
    findings = [relative_to(finding, home) for finding in findings + covers.findings]
    grids = covers.grids
    grids.flights, grids.past_pattern = flown.grids, earlier.pattern
    grids.terrain = basin.terrain.assign_attrs(crs=basin.grid.crs.to_wkt(), zones=basin.zones)
    grids = grids.map(as_archived)
    rows, positions = canonical(tables)
    now = ReadNow.of(date, rows | {"flights": flown.rows}, grids)
    findings += [relative_to(loss, home) for loss in lost_since_sound(settings, now, findings, by_hand=by_hand)]
    beside = {
        **positions,
        NOTICED: findings_table(findings),
        FIGURES: figures_table(flown.figures),
        ZONES: where.outlines,
    }
    inputs = assembled(settings, date, basin.grid, measured, DayRows(tables, grids, flown.figures, findings))
    if asks_trees(settings.blend.method, len(inputs.flights)):
        inputs = replace(inputs, landform=_landform(settings, inputs.basin.terrain, writable=keep))
    cache.cache.drop_unused()
    used = [(file, "terrain" if file.role in TERRAIN_ROLES else file.role) for file in fixed]
    used += [(file, role) for role, listed in files.items() for file in listed]
    used += flown.files + earlier.files + covers.files
    noticed = findings + measured.findings
    return Readings(inputs, used, now.rows, grids, now.hashes, beside, noticed, read.listed, measured.tally)


def _landform(settings: Settings, terrain: xr.Dataset, *, writable: bool) -> dict[str, np.ndarray]:
    """Return the shape of the ground, cached from night to night."""
    cache = Cache(settings.cache_folder("landform"), writable)
    fields = cached_landform(cache, terrain, settings.blend.wind_from_deg)
    cache.drop_unused()
    return fields


def _growing(file: InputFile) -> Finding:
    """Return the finding that a table was read while it was being written."""
    return Finding(STILL_ARRIVING, file.role, str(file.path), detail=STILL_ARRIVING.says(path=file.path))


def choices(settings: Settings) -> Choices:
    """Return what the settings choose in the science."""
    return Choices(
        snow_class=settings.density.snow_class,
        least_valid_fraction=settings.flights.least_valid_fraction,
        method=settings.blend.method,
        wind_from_deg=settings.blend.wind_from_deg,
    )


OPTIONAL_TABLES = tuple(table.role for table in TABLES[1:])
"""All but the sites: without their table there is no night."""

TERRAIN_ROLES = ("zones", "elevation", "canopy")


def _fixed_files(settings: Settings, cache: FlightCache) -> list[InputFile]:
    named = [(role, path) for role in FIXED for path in fixed_files(settings, role)]
    # A canopy that is not there or cannot be read is a finding where it is read.
    return [
        InputFile(role, path, path.stat().st_size, cache.sha256_as_it_is(path))
        for role, path in named
        if is_file(path) and os.access(path, os.R_OK)
    ]
