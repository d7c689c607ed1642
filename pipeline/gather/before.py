"""The newest sound revision of a basin, and what it was made from held against what a date reads now."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd
import xarray as xr

from snowtally.archive.current import current_of
from snowtally.archive.grids import Grids
from snowtally.archive.revisions import Revision
from snowtally.gather.archived_day import POSITIONS
from snowtally.gather.coverage import Limits, earlier_lost, held_against, net_losses
from snowtally.gather.coverage_grids import ComparedGrids, Files, SeenAlbedo, grids_held_against
from snowtally.gather.coverage_sides import KINDS, Before
from snowtally.gather.covers import ALBEDO_DAYS, EARLIER_COVER_DAYS, EARLIER_COVERS, with_age
from snowtally.gather.earlier_flights import EARLIER_PAIRS
from snowtally.gather.earlier_visits import EARLIER_VISITS
from snowtally.gather.sources import fixed_patterns
from snowtally.inputs.relative import relative_name
from snowtally.model.problems import ArchiveError, Finding
from snowtally.model.rules.before import CHANGES
from snowtally.publishing.archived_grids import grids_sha256, read_grids
from snowtally.publishing.archived_inputs import inputs_folder
from snowtally.publishing.archived_rows import read_rows, rows_sha256
from snowtally.reading import dates_held, decisions, load_record, revisions, soundness_of
from snowtally.settings.basin import Settings

_OF_EARLIER = {
    EARLIER_VISITS: ("courses", "visits"),
    EARLIER_PAIRS: ("flights", "depths of sites on the days of flights"),
}
"""Rows of earlier seasons: the declared table that they hang on, and what they are, in words."""

MOST_LOOKED_AT = 100
"""So many dates are looked at for a sound revision, the newest first: a basin that was degraded for a winter has no other news."""


@dataclass(frozen=True)
class ReadNow:
    """The rows and grids that a date reads, with hashes.

    The rows and grids are as they will be archived.

    Parameters
    ----------
    date : the date.
    rows : by name.
    grids : by what they are.
    hashes : of both, by name.
    """

    date: dt.date
    rows: dict[str, pd.DataFrame]
    grids: Grids[xr.Dataset]
    hashes: dict[str, str]

    @classmethod
    def of(cls, date: dt.date, rows: dict[str, pd.DataFrame], grids: Grids[xr.Dataset]) -> ReadNow:
        """Return it with the hashes."""
        hashes = {name: rows_sha256(table) for name, table in rows.items()}
        return cls(date, rows, grids, hashes | grids.map(grids_sha256).by_name())


@dataclass(frozen=True)
class RecordedRevision:
    """A revision with its record."""

    revision: Revision
    record: dict[str, Any]


def lost_since_sound(settings: Settings, now: ReadNow, noticed: list[Finding], *, by_hand: bool) -> list[Finding]:
    """Return findings on inputs lost since the newest sound revision.

    The date reads these inputs no more, or too many of their values are massively different. There are no findings
    where there is no such revision.

    Parameters
    ----------
    noticed : the findings of reading, with files from the settings' folder on.
    by_hand : whether an analyst asked for the date: values that are others now are then taken over.
    """
    newest = newest_sound(settings, now.date)
    if newest is None:
        return []
    return [
        finding for finding in lost_since(settings, newest, now, noticed) if not (by_hand and finding.rule in CHANGES)
    ]


def newest_sound(settings: Settings, date: dt.date) -> RecordedRevision | None:
    """Return the newest sound revision, with its record.

    It is the current revision of its date, and that date is of the season of `date`. Where the season has none, the
    newest of any other season is returned. It is None where there is none at all. At most `MOST_LOOKED_AT` dates are
    looked at.

    A degraded revision counts where a person made it current: what it lacks was given up. A record that cannot be read
    is passed over, since damage there must not stop a night. A record without archived inputs is passed over too.
    """
    root, basin = settings.archive_root, settings.basin.id
    try:
        dates, decided = dates_held(root, basin), decisions(root, basin)
    except ArchiveError:
        return None
    soundness, season = soundness_of(root, basin), settings.season_start(date)
    dates.sort(key=lambda day: (settings.season_start(day) == season, day), reverse=True)
    for day in dates[:MOST_LOOKED_AT]:
        current = current_of(revisions(root, basin, day), decided, soundness)
        if current is None:
            continue
        by_hand = [one for one in decided.made_current.get(day, []) if not one.stayed]
        chosen = any(one.revision == current.number for one in by_hand)
        if chosen or not soundness(current).degraded:
            with suppress(ArchiveError):
                record = load_record(current.path)
                if record.get("kept_inputs"):
                    return RecordedRevision(current, record)
    return None


def lost_since(settings: Settings, revision: RecordedRevision, now: ReadNow, noticed: list[Finding]) -> list[Finding]:
    """Return findings on inputs lost or changed since a revision.

    The date reads these inputs no more, or too many of their values are massively different.
    """
    limits = _limits(settings)
    archived = _Archived(settings, revision)
    before = before_of(settings, revision, now)
    findings = held_against(before, now.rows, limits, noticed) + archived.earlier_lost(before, now)
    pair = archived.grids(before, now)
    return findings + grids_held_against(before.name, pair, _files(settings), limits, noticed)


def _limits(settings: Settings) -> Limits:
    return Limits(settings.checks.least_usable_share, settings.checks.most_changed_share)


def before_of(settings: Settings, revision: RecordedRevision, now: ReadNow) -> Before:
    """Return the tables of a revision that differ now.

    `start` and `until` of the result limit the days that both dates may use.
    """
    made = revision.revision
    archived = _Archived(settings, revision)
    same_season = settings.season_start(made.date) == settings.season_start(now.date)
    return Before(
        name=str(made.id),
        tables=archived.tables(now),
        until=min(made.date, now.date),
        start=settings.season_start(now.date) if same_season else None,
        redeclared=frozenset(table for table in KINDS if archived.redeclared(table)),
    )


def fewer_than(settings: Settings, revision: RecordedRevision, now: ReadNow, noticed: list[Finding]) -> list[Finding]:
    """Return findings on every input lost since a revision.

    A single lost value is a finding. A value that is another now is none.
    """
    before = before_of(settings, revision, now)
    comparable = {name: rows for name, rows in before.tables.items() if name not in before.redeclared}
    limits = _limits(settings)
    pair = _Archived(settings, revision).grids(before, now)
    grids = grids_held_against(before.name, pair, _files(settings), limits, noticed)
    return net_losses(replace(before, tables=comparable), now.rows) + [f for f in grids if f.rule not in CHANGES]


class _Archived:
    """The archived inputs of a revision that differ now.

    Inputs that are the same now are not read. Inputs that cannot be read are passed over.
    """

    def __init__(self, settings: Settings, recorded: RecordedRevision) -> None:
        self.settings, self.revision, record = settings, recorded.revision, recorded.record
        self.hashes: dict[str, str] = record["kept_inputs"]
        self.grid_hashes = Grids.from_names(self.hashes)
        self.was, self.now = record.get("settings", {}), settings.as_used()
        self.folder: Path = inputs_folder(settings.archive_root, settings.basin.id)

    def redeclared(self, table: str) -> bool:
        """Return whether the settings read a table in another way since."""
        keys = (("columns", table), ("formats", table), ("missing",))
        return any(_at(self.was, key) != _at(self.now, key) for key in keys)

    def same(self, *names: str) -> bool:
        """Return whether parts of the settings are what they were."""
        return all(_at(self.was, name.split(".")) == _at(self.now, name.split(".")) for name in names)

    def tables(self, now: ReadNow) -> dict[str, pd.DataFrame]:
        """Return the archived rows of each table that differs now.

        The column `file` names the file that each row came from.
        """
        tables = {}
        for name in KINDS:
            sha256 = self.hashes.get(name)
            if sha256 is None or sha256 == now.hashes.get(name) or not _declared(self.settings, name):
                continue
            if name == "sites" and not self.same("basin", "grid"):
                continue
            with suppress(ArchiveError):
                rows = read_rows(self.folder, sha256)
                rows = rows.assign(file=self._files_of(name, len(rows)))
                # A later date follows overrides that begin after this one, which this one does not read.
                tables[name] = rows[rows["first"] < self._end_of(now.date)] if name == "overrides" else rows
        return tables

    def _end_of(self, date: dt.date) -> pd.Timestamp:
        """Return the instant at which a local day is over, UTC."""
        return pd.Timestamp(date) + pd.Timedelta(hours=24 - self.settings.basin.utc_offset_hours)

    def earlier_lost(self, before: Before, now: ReadNow) -> list[Finding]:
        """Return findings on lost rows of earlier seasons.

        There is one where most visits of earlier seasons are lost, and one where most pairs with earlier flights are
        lost.
        """
        findings = []
        for name, (table, words) in _OF_EARLIER.items():
            sha256 = self.hashes.get(name)
            same = _declared(self.settings, table) and table not in before.redeclared
            if sha256 is None or sha256 == now.hashes.get(name) or before.start is None or not same:
                continue
            with suppress(ArchiveError):
                rows = read_rows(self.folder, sha256)
                rows = rows.assign(file=self._files_of(name, len(rows)))
                findings += earlier_lost(before.name, table, rows, now.rows.get(name), words)
        return findings

    def _files_of(self, name: str, rows: int) -> pd.Series | str:
        with suppress(ArchiveError, KeyError):
            positions = read_rows(self.folder, self.hashes[f"{name}{POSITIONS}"])
            if len(positions) == rows:
                return positions["file"]
        return _path(self.settings, _OF_EARLIER[name][0] if name in _OF_EARLIER else name)

    def grids(self, before: Before, now: ReadNow) -> tuple[ComparedGrids, ComparedGrids]:
        """Return the revision's grids to compare, and those of now.

        The revision's grids are those that differ now and that both dates may use. Only terrain is compared with a
        revision of another season.
        """
        terrain = self._read(self.grid_hashes.terrain, now) if self.same("basin", "grid") else None
        fixed = ComparedGrids(terrain, {}, {}), ComparedGrids(now.grids.terrain, {}, {})
        if before.start is None:
            return fixed
        covers, seen = self.grid_hashes.covers(self.revision.date), now.grids.covers(now.date)
        wanted = _wanted_covers(covers, seen, now.date, before.until)
        was = ComparedGrids(
            terrain,
            self._flights(before, now),
            {day: grid for day in wanted if (grid := self._read(covers[day], now)) is not None}
            if self.settings.inputs.covers
            else {},
            self._albedo(now, before.until),
        )
        albedo = None if now.grids.albedo is None else SeenAlbedo(with_age(now.grids.albedo, now.date), now.date)
        return was, ComparedGrids(now.grids.terrain, now.grids.flights, seen, albedo)

    def _flights(self, before: Before, now: ReadNow) -> dict[str, xr.Dataset]:
        """Return the flights that are others now, or there no more."""
        if not self.settings.inputs.flights or not self.same("flights", "basin", "grid", "columns.flights"):
            return {}
        flights = {}
        for flight_id, sha256 in self.grid_hashes.flights.items():
            flight = self._read(sha256, now)
            if flight is not None and str(before.start) <= str(flight.attrs["date"])[:10] <= str(before.until):
                flights[flight_id] = flight
        return flights

    def _albedo(self, now: ReadNow, until: dt.date) -> SeenAlbedo | None:
        """Return the revision's albedo that both dates may use.

        It is missing where it was seen after the earlier of both dates, or too long ago to count now. The result is
        None where no albedo is to be compared.
        """
        albedo = self._read(self.grid_hashes.albedo, now) if self.settings.inputs.covers else None
        if albedo is None:
            return None
        first, last = now.date - dt.timedelta(days=ALBEDO_DAYS), until
        albedo = with_age(albedo, self.revision.date)
        age = albedo["age_days"]
        ages = [(self.revision.date - day).days for day in (last, first)]
        recent = albedo.assign(age_days=age.where((age >= ages[0]) & (age <= ages[1])))
        return SeenAlbedo(recent, self.revision.date)

    def _read(self, sha256: str | None, now: ReadNow) -> xr.Dataset | None:
        """Return an archived grid if it differs now.

        The result is None where there is no grid, where it is the same now, or where it cannot be read.
        """
        if sha256 is None or sha256 in now.hashes.values():
            return None
        with suppress(ArchiveError):
            return read_grids(self.folder, sha256)
        return None


def _at(settings: dict[str, Any], key: Sequence[str]) -> object:
    value: object = settings
    for name in key:
        value = value.get(name) if isinstance(value, dict) else None
    return value or None


def _declared(settings: Settings, name: str) -> bool:
    """Return whether the settings still name a table.

    A table that was taken out of the settings is a decision and no loss.
    """
    return bool(getattr(settings.inputs, name))


def _wanted_covers(was: Iterable[dt.date], now: Iterable[dt.date], date: dt.date, until: dt.date) -> list[dt.date]:
    """Return the days of a revision's cover grids to compare.

    The date would use these snow-cover grids too, if they were still there.
    """
    first = date - dt.timedelta(days=EARLIER_COVER_DAYS)
    earlier = sorted((day for day in {*was, *now} if day < date), reverse=True)[:EARLIER_COVERS]
    return [day for day in was if first <= day <= until and (day == date or day in earlier)]


def _files(settings: Settings) -> Files:
    return Files(*(_path(settings, name) for name in ("zones", "elevation", "canopy", "flights", "covers")))


def _path(settings: Settings, name: str) -> str:
    """Return the path of an input, from the settings' folder.

    It is the first path where there are several. It is empty where the settings name none.
    """
    fixed = fixed_patterns(settings)
    listed = fixed[name] if name in fixed else getattr(settings.inputs, name)
    return relative_name(str(settings.path(listed[0])), settings.file.parent) if listed else ""
