"""All together: from a folder's files to the settings that are proposed for it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from snowtally.model.problems import SettingsError
from snowtally.proposals.answers import Answers
from snowtally.proposals.by_records import MARGIN_M, WITH_A_TABLE, put_season, refine
from snowtally.proposals.clock import (
    propose_offset,
)
from snowtally.proposals.folder import Folder, Kind
from snowtally.proposals.grid import propose_grid, utm_code
from snowtally.proposals.ground import Ground, ground_of
from snowtally.proposals.height_units import recognised
from snowtally.proposals.names import names_of, slug
from snowtally.proposals.proposal import BasinHint, FileGroup, Proposal, Refusal, TableProposals, Value
from snowtally.proposals.proposed import Proposed, box_of
from snowtally.proposals.write import Draft

Stage = Callable[[str], None]
ProposeTables = Callable[[Sequence[Path], BasinHint | None], TableProposals]


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
    put_season(proposed, ground, None)
    if not proposed.refusals and not proposed.lacks:
        stage("reading the records")
        refine(proposed, ground, groups, compares=seen.compares)
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
    elevation, box = ground.elevation, box_of(ground)
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
    box = box_of(ground)
    offset = None if box is None else propose_offset(box.middle[0], groups)
    if isinstance(offset, Refusal):
        proposed.refusals.append(offset)
    elif offset is not None:
        proposed.draft.take(proposed.answers.settle(offset))


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
