"""What only the records' values decide.

Clocks, units of rasters, the season, tables of flights and covers.
"""

from __future__ import annotations

import copy
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from snowtally.model.problems import InputError
from snowtally.proposals.clock import (
    DEGREES_PER_HOUR,
    contradicted_clock,
    differing_clocks,
    propose_clock,
)
from snowtally.proposals.flight_tables import (
    FlightDay,
    NewTable,
    covers_table,
    depths_in_two_units,
    flights_of,
    flights_table,
    unit_proposals,
)
from snowtally.proposals.ground import Ground, with_decided_unit
from snowtally.proposals.polygons import other_vectors
from snowtally.proposals.proposal import FileGroup, Proposal, Refusal, UnknownFile
from snowtally.proposals.proposed import Proposed, box_of
from snowtally.proposals.rasters import RasterKind
from snowtally.proposals.records import Records, rasters_of_covers, rasters_of_flights, read_records
from snowtally.proposals.season import newest_with_snow, propose_season
from snowtally.proposals.write import Draft, text_of
from snowtally.settings.basin import Settings, read_settings

MARGIN_M = 5000.0
"""The margin around the zones that settings have by default, m."""

FLOWN = (RasterKind.DEPTH, RasterKind.SNOW_ON, RasterKind.SNOW_OFF, RasterKind.STABLE)
"""Rasters that a table of flights names."""

WITH_A_TABLE = (*FLOWN, RasterKind.COVER, RasterKind.ALBEDO)
"""Rasters that some table names."""


def put_season(proposed: Proposed, ground: Ground, records: Records | None) -> None:
    """Propose the season's start by latitude and records."""
    box = box_of(ground)
    if box is None:
        return
    if records is None:
        nothing = pd.DataFrame({"date": pd.Series(dtype="datetime64[s]"), "swe_mm": []})
        proposed.draft.put("basin.season_start", propose_season(box.middle[1], nothing).value)
    else:
        proposed.draft.take(proposed.answers.settle(propose_season(box.middle[1], records.snow)))


def refine(proposed: Proposed, ground: Ground, groups: Sequence[FileGroup], *, compares: bool) -> None:
    """Propose what only the records' values decide: clocks, units of rasters, the season, tables of flights."""
    unclocked = [n for n, group in enumerate(groups) if group.lacks_clock]
    taken_for_utc = {f"formats.stations.{number}.clock": 0 for number in unclocked}
    settings = draft_settings(proposed.draft, taken_for_utc)
    try:
        records = read_records(settings)
    except InputError as trouble:
        proposed.refusals.append(
            Refusal(settings.path(settings.inputs.sites[0]), "", str(trouble), "Correct the table")
        )
        return
    _check_sites_near(proposed, ground, records)
    for number in unclocked:
        _put_clock(proposed, ground, groups[number], f"formats.stations.{number}", records.stations)
    if unclocked:
        records = read_records(draft_settings(proposed.draft))
    _check_stated_clocks(proposed, ground, groups, records.stations)
    ground = with_decided_unit(ground, proposed.answers, records.sites, compares=compares)
    for proposal in ground.elevation.proposals if ground.elevation else ():
        if proposal.key == "terrain.elevation_unit":
            proposed.draft.take(proposal)
    put_season(proposed, ground, records)
    _put_rasters(proposed, ground, records)
    proposed.date = newest_with_snow(records.snow)


def _check_sites_near(proposed: Proposed, ground: Ground, records: Records) -> None:
    """Refuse sites none of which lies near the zones: one of both has another coordinate system than it says."""
    box, sites = ground.zones.layer.box if ground.zones else None, records.sites
    if box is None or sites.empty:
        return
    near = box.grown(2 * MARGIN_M)
    if not any(near.holds(*at) for at in zip(sites["longitude"], sites["latitude"], strict=True)):
        first = sites.iloc[0]
        where = f"longitude {first['longitude']:.3f}, latitude {first['latitude']:.3f}"
        why = f"no site lies near the zones: {first['site_id']} has {where}, the zones lie at {box}"
        cure = "Check longitude and latitude, their signs, and the coordinate system of the sites (formats.sites.crs) and of the zones"
        proposed.refusals.append(Refusal(Path(first["file"]), "", why, cure))


def draft_settings(draft: Draft, more: Mapping[str, float] | None = None) -> Settings:
    """Return the settings of a draft as the program reads them.

    Parameters
    ----------
    more : further keys, which the draft does not keep.

    Raises
    ------
    SettingsError : they cannot be used.
    """
    whole = copy.deepcopy(draft)
    for key, value in (more or {}).items():
        whole.put(key, value)
    with tempfile.TemporaryDirectory() as home:
        file = Path(home).resolve() / "settings.yaml"
        file.write_text(text_of(whole, file.parent), "utf-8")
        return read_settings(file)


def _put_clock(proposed: Proposed, ground: Ground, group: FileGroup, where: str, readings: pd.DataFrame) -> None:
    names = {str(path) for path in group.files}
    of_group = readings[readings["file"].astype(str).isin(names)]
    offset = proposed.draft.values["basin"]["utc_offset_hours"]
    box = box_of(ground)
    by_sun = offset if box is None else box.middle[0] / DEGREES_PER_HOUR
    refusal = differing_clocks(group, offset, by_sun, of_group)
    if refusal is not None:
        proposed.refusals.append(refusal)
        return
    clock = propose_clock(group, offset, by_sun, of_group)
    settled = proposed.answers.settle(replace(clock, key=f"{where}.clock"))
    proposed.draft.put(settled.key, settled.value, settled.evidence)


def _check_stated_clocks(
    proposed: Proposed, ground: Ground, groups: Sequence[FileGroup], readings: pd.DataFrame
) -> None:
    """Refuse clocks that a file states and its air temperature contradicts."""
    box = box_of(ground)
    if box is None:
        return
    for group in groups:
        of_group = readings[readings["file"].astype(str).isin({str(path) for path in group.files})]
        refusal = None if group.lacks_clock else contradicted_clock(group, box.middle[0] / DEGREES_PER_HOUR, of_group)
        if refusal is not None:
            proposed.refusals.append(refusal)


def _put_rasters(proposed: Proposed, ground: Ground, records: Records) -> None:
    """Propose tables of flights and covers where there are none, and the unit of flights' rasters."""
    settings = draft_settings(proposed.draft)
    draft, answers = proposed.draft, proposed.answers
    if settings.inputs.flights:
        days = list(_named_days(settings, ground))
        named = {file.path for day in days for file in day.files}
    else:
        flights, left = flights_of(ground.kinds)
        proposed.unused += left
        if flights:
            _put_new(proposed, flights_table(flights))
        days = [FlightDay(what, files, pd.Timestamp(one.date)) for one in flights for what, files in one.files.items()]
        named = {file.path for day in days for file in day.files} | {one.path for one in left}
    contradiction = depths_in_two_units(days, records.depths)
    if contradiction:
        cure = "Look which of the two headers is wrong and mend it, or declare the unit under formats"
        proposed.refusals.append(Refusal(settings.path(settings.inputs.courses[0]), "", contradiction, cure))
    for proposal in unit_proposals(days, records.depths, ground.elevation):
        settled = answers.settle(proposal)
        entries = [f"formats.flights.{n}" for n in draft.values.get("formats", {}).get("flights", {})]
        for key in entries or [""]:
            under = f"{key}.columns.{settled.key.rsplit('.', 1)[-1]}" if key else settled.key
            draft.put(under, settled.value, settled.evidence)
    named |= _put_covers(proposed, settings, ground)
    for kind in WITH_A_TABLE:
        table_name = "flights" if kind in FLOWN else "covers"
        proposed.unused += [
            UnknownFile(one.path, f"the table of {table_name} does not name it. Add a row to it")
            for one in ground.kinds.get(kind, [])
            if one.path not in named
        ]
    for one in other_vectors(ground.layers, ground.zones.layer if ground.zones else None, bool(days)):
        if isinstance(one, Proposal):
            draft.take(answers.settle(one))
        else:
            proposed.unused.append(one)


def _put_new(proposed: Proposed, table: NewTable) -> None:
    proposed.new_tables.append(table)
    proposed.answers.settle(
        Proposal(f"inputs.{table.role}", table.name_in(proposed.home), f"written by init {table.evidence}")
    )


def _named_days(settings: Settings, ground: Ground) -> Iterator[FlightDay]:
    for named in rasters_of_flights(settings):
        facts = ground.rasters.get(named.path)
        if facts is not None and not pd.isna(named.date):
            yield FlightDay(named.what, [facts], named.date)


def _put_covers(proposed: Proposed, settings: Settings, ground: Ground) -> set[Path]:
    """Return the cover grids that a table names, or that are told of already."""
    if settings.inputs.covers:
        return set(rasters_of_covers(settings))
    table, left = covers_table(ground.kinds)
    proposed.unused += left
    if table is None:
        return {one.path for one in left}
    _put_new(proposed, table)
    return {*table.files, *(one.path for one in left)}
