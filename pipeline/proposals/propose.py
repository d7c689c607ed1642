"""All together: from a folder's files to the settings that are proposed for it."""

from __future__ import annotations

import copy
import datetime as dt
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from snowtally.model.problems import InputError, SettingsError
from snowtally.proposals.answers import Answers
from snowtally.proposals.clock import (
    DEGREES_PER_HOUR,
    contradicted_clock,
    differing_clocks,
    propose_clock,
    propose_offset,
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
from snowtally.proposals.folder import Folder, Kind
from snowtally.proposals.grid import propose_grid, utm_code
from snowtally.proposals.ground import Ground, ground_of, with_decided_unit
from snowtally.proposals.height_units import recognised
from snowtally.proposals.names import names_of, slug
from snowtally.proposals.polygons import other_vectors
from snowtally.proposals.proposal import BasinHint, FileGroup, Proposal, Refusal, TableProposals, UnknownFile, Value
from snowtally.proposals.raster_facts import Box
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

Stage = Callable[[str], None]
ProposeTables = Callable[[Sequence[Path], BasinHint | None], TableProposals]


@dataclass
class Proposed:
    """What is proposed for a folder.

    Parameters
    ----------
    home : the folder of the settings file.
    draft : the settings.
    answers : every proposal, and the questions that are open.
    new_tables : tables to be written beside the settings.
    refusals : what nothing safe can be proposed for: settings are refused until a person has decided.
    unused : files that no setting names.
    not_looked_at : what waits until the tables can be read.
    date : newest date with snow; None where no record has any.
    """

    home: Path
    draft: Draft
    answers: Answers
    new_tables: list[NewTable] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    unused: list[UnknownFile] = field(default_factory=list)
    not_looked_at: list[str] = field(default_factory=list)
    date: dt.date | None = None

    @property
    def undecided(self) -> list[str]:
        """What a person must decide before these settings may be used: questions whose answer would be silent, and refusals."""
        questions = [f"{one.key}: {_readings(one)}? {one.evidence}" for one in self.answers.undecided]
        later = [f"not looked at yet: {what}. Mend the other points and run init again" for what in self.not_looked_at]
        return list(dict.fromkeys([*questions, *map(str, self.refusals), *later]))

    @property
    def is_whole(self) -> bool:
        """Whether nothing is missing and nothing undecided."""
        return not self.lacks and not self.undecided

    @property
    def lacks(self) -> dict[str, str]:
        """The keys that are missing and required, with the cure."""
        return {".".join(parts): " ".join(why) for parts, why in self.draft.missing.items()}


def _readings(proposal: Proposal) -> str:
    """Return a proposal's readings in one line: `inch or cm`."""
    return " or ".join(map(_reading, (proposal.value, *proposal.others)))


def _reading(value: Value) -> str:
    """Return a reading in some words: of a column its unit, where it has one."""
    if isinstance(value, dict):
        return str(value.get("unit") or ", ".join(map(str, value.values())) or "not read")
    return str(value)


def propose(folder: Folder, home: Path, answers: Answers, stage: Stage, propose_tables: ProposeTables) -> Proposed:
    """Return the settings that are proposed for a folder.

    Parameters
    ----------
    home : the folder of the settings file; new tables and the archive lie in it too.
    stage : called with the name of each stage as it begins.
    propose_tables : recognises the tables.
    """
    proposed = Proposed(home, Draft(), answers, unused=folder.unused)
    stage("looking at rasters and outlines")
    ground = ground_of(folder, answers)
    proposed.refusals += ground.refusals
    stage("recognising the tables")
    paths = [path for path in folder.of(Kind.TABLE, Kind.WORKBOOK, Kind.NETCDF) if path not in ground.rasters]
    seen = recognised(
        ground.elevation, lambda elevation: propose_tables(paths, _hint(replace(ground, elevation=elevation)))
    )
    tables, ground = seen.tables, replace(ground, elevation=seen.elevation)
    proposed.refusals += tables.refusals
    _put_basin(proposed, folder, ground, home)
    _put_tables(proposed, tables)
    stations = tables.tables.get("stations")
    groups = stations.groups if stations else ()
    _put_offset(proposed, ground, groups)
    _put_grid(proposed, ground)
    _put_season(proposed, ground, None)
    if not proposed.refusals and not proposed.lacks:
        stage("reading the records")
        _refine(proposed, ground, groups, compares=seen.compares)
        for table in proposed.new_tables:
            proposed.draft.put(
                f"inputs.{table.role}", str(home / table.name_in(home)), f"written by init {table.evidence}"
            )
    else:
        proposed.not_looked_at = _not_looked_at(proposed, ground, groups)
    proposed.unused += [*ground.unused, *tables.unknown]
    return proposed


def _not_looked_at(proposed: Proposed, ground: Ground, groups: Sequence[FileGroup]) -> list[str]:
    """Return what is looked at only once the tables can be read: clocks, and rasters that no table may name."""
    stations = [group.files[0].name for group in groups if group.lacks_clock]
    rasters = [one.path.name for kind in WITH_A_TABLE for one in ground.kinds.get(kind, [])]
    points = []
    if stations:
        points.append(f"the clock of times without an offset ({', '.join(stations)})")
    if rasters and not {"flights", "covers"} & set(proposed.draft.values.get("inputs", {})):
        points.append(f"rasters of flights and grids ({', '.join(rasters)})")
    return points


def _hint(ground: Ground) -> BasinHint | None:
    """Return what rasters and outlines tell the tables of where the basin lies."""
    elevation, box = ground.elevation, _box(ground)
    if box is None:
        return None
    systems = [ground.zones.layer.crs] if ground.zones else []
    systems += [elevation.tiles[0].crs] if elevation else []
    codes = [f"EPSG:{code}" for crs in systems if crs and crs.is_projected and (code := crs.to_epsg())]
    near = box.grown(MARGIN_M)
    known = elevation is not None and elevation.metres_per_unit is not None
    heights = elevation.heights if elevation is not None and known else None
    return BasinHint(
        west=near.west,
        south=near.south,
        east=near.east,
        north=near.north,
        lowest_m=float(heights.min()) if heights is not None else float("nan"),
        highest_m=float(heights.max()) if heights is not None else float("nan"),
        crs=tuple(dict.fromkeys([*codes, utm_code(*box.middle)])),
        heights=elevation.heights_at if elevation is not None and known else None,
    )


def _put_basin(proposed: Proposed, folder: Folder, ground: Ground, home: Path) -> None:
    draft = proposed.draft
    draft.put("basin.id", slug(folder.path.name), "the folder's name; the basin's folder in the archive")
    draft.put("basin.title", folder.path.name.replace("_", " "), "its name for people: write a better one")
    draft.put("archive", "archive", f"beside this file, in {home}")
    refused = {refusal.file for refusal in proposed.refusals}
    if ground.zones is not None:
        for proposal in ground.zones.proposals:
            draft.take(proposal)
    elif not any(one.path in refused for one in ground.layers):
        draft.lack(
            "basin.zones", "Put the basin's outline into the folder: polygons as GeoPackage, GeoJSON or shapefile"
        )
    if ground.elevation is not None:
        for proposal in ground.elevation.proposals:
            if proposal.is_safe:
                draft.take(proposal)
    elif not refused & set(ground.rasters):
        draft.lack("terrain.elevation", "Put an elevation raster that covers the basin into the folder")
    if ground.canopy is not None:
        draft.take(ground.canopy)


def _put_tables(proposed: Proposed, tables: TableProposals) -> None:
    draft, answers = proposed.draft, proposed.answers
    for role, table in tables.tables.items():
        paths: list[Value] = [str(path) for path in table.paths]
        proposal = Proposal(f"inputs.{role}", paths if len(paths) > 1 else paths[0], table.evidence)
        draft.take(answers.settle(proposal))
        _put_groups(proposed, proposal, table.groups)
    if tables.basin_id is not None:
        # What the folder's files call the basin goes before the folder's name.
        draft.comments.pop(("basin", "id"), None)
    for key in (tables.missing, tables.basin_id):
        if key is not None:
            draft.take(answers.settle(key))
    if "sites" not in tables.tables:
        draft.lack(
            "inputs.sites",
            "Put a table of the sites into the folder: a row a site with an identifier, course or station, longitude and latitude",
        )


def _put_groups(proposed: Proposed, inputs: Proposal, groups: Sequence[FileGroup]) -> None:
    """Put how a table's files are written, and what is not read of them as a comment of its `inputs`."""
    draft, role = proposed.draft, inputs.key.removeprefix("inputs.")
    for number, group in enumerate(groups):
        if group.not_read:
            draft.put(inputs.key, inputs.value, f"not read of {names_of(group)}: {', '.join(group.not_read)}")
        where = f"formats.{role}.{number}"
        if len(groups) > 1:
            draft.put(f"{where}.files", group.pattern)
        for one in group.proposals:
            full = replace(one, key=f"{where}.{one.key}", evidence=f"{names_of(group)}: {one.evidence}")
            settled = proposed.answers.settle(full)
            draft.put(settled.key, settled.value, _unprefixed(settled.evidence, group, groups))


def _unprefixed(evidence: str, group: FileGroup, groups: Sequence[FileGroup]) -> str:
    """Return the evidence without the files' names where the settings have one group."""
    return evidence.removeprefix(f"{names_of(group)}: ") if len(groups) == 1 else evidence


def _put_offset(proposed: Proposed, ground: Ground, groups: Sequence[FileGroup]) -> None:
    box = _box(ground)
    offset = None if box is None else propose_offset(box.middle[0], groups)
    if isinstance(offset, Refusal):
        proposed.refusals.append(offset)
    elif offset is not None:
        proposed.draft.take(proposed.answers.settle(offset))


def _box(ground: Ground) -> Box | None:
    """Return the basin's area, that of the elevation where there are no zones; None where nothing shows it."""
    box = ground.zones.layer.box if ground.zones else None
    return ground.elevation.tiles[0].box if box is None and ground.elevation else box


def _put_grid(proposed: Proposed, ground: Ground) -> None:
    layer = ground.zones.layer if ground.zones else None
    if layer is None or layer.box is None:
        return
    tiles = list(ground.elevation.tiles) if ground.elevation else []
    try:
        grid = propose_grid(layer.box, layer.area_km2, tiles, MARGIN_M)
    except SettingsError as trouble:
        proposed.refusals.append(
            Refusal(layer.path, "", f"no grid fits the outlines ({trouble})", "Check their coordinate system")
        )
        return
    for proposal in (grid.crs, grid.cell):
        proposed.draft.take(proposed.answers.settle(proposal))


def _put_season(proposed: Proposed, ground: Ground, records: Records | None) -> None:
    box = _box(ground)
    if box is None:
        return
    if records is None:
        nothing = pd.DataFrame({"date": pd.Series(dtype="datetime64[s]"), "swe_mm": []})
        proposed.draft.put("basin.season_start", propose_season(box.middle[1], nothing).value)
    else:
        proposed.draft.take(proposed.answers.settle(propose_season(box.middle[1], records.snow)))


# --- what the records tell ----------------------------------------------------------------------------------------------


def _refine(proposed: Proposed, ground: Ground, groups: Sequence[FileGroup], *, compares: bool) -> None:
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
    _put_season(proposed, ground, records)
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
    box = _box(ground)
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
    box = _box(ground)
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
