"""What the rasters and outlines of a folder are: zones, elevation, canopy, flights' and covers' rasters."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import Path

import pandas as pd

from snowtally.inputs.find import matching
from snowtally.inputs.sheets import SUFFIXES as WORKBOOKS
from snowtally.inputs.sheets import read_sheets
from snowtally.model.problems import InputError
from snowtally.proposals.answers import Answers
from snowtally.proposals.folder import Folder, Kind
from snowtally.proposals.names import name_pattern
from snowtally.proposals.polygons import LEAST_COVER, Zones, choice_of, without_crs, zone_columns, zone_layers
from snowtally.proposals.proposal import Proposal, Refusal, UnknownFile, Value
from snowtally.proposals.raster_facts import RasterFacts, facts_of
from snowtally.proposals.rasters import (
    Elevation,
    RasterKind,
    elevation_groups,
    fraction_refusal,
    in_answered_unit,
    kind_of,
    with_unit,
    with_voids,
)
from snowtally.proposals.raw_table import BlanksError, raw_sheets, raw_text
from snowtally.proposals.seen_columns import FolderEvidence, seen_table
from snowtally.proposals.table_role import role_of
from snowtally.proposals.vector_facts import LayerFacts, layers_with_facts


@dataclass(frozen=True)
class Ground:
    """The rasters and outlines of a folder.

    Parameters
    ----------
    layers : of the vector files.
    zones, elevation : None where the folder has none that can be used.
    canopy : its proposal.
    kinds : rasters that no table names by what they are, the elevation's and the canopy's among them.
    rasters : every raster that can be read, by its path.
    unused : files that no setting names, so far.
    refusals : why zones or elevation cannot be used.
    """

    layers: tuple[LayerFacts, ...] = ()
    zones: Zones | None = None
    elevation: Elevation | None = None
    canopy: Proposal | None = None
    kinds: dict[RasterKind, list[RasterFacts]] = field(default_factory=dict)
    rasters: dict[Path, RasterFacts] = field(default_factory=dict)
    unused: tuple[UnknownFile, ...] = ()
    refusals: tuple[Refusal, ...] = ()


def ground_of(folder: Folder, answers: Answers) -> Ground:
    """Return what the rasters and outlines of a folder are."""
    facts = [facts_of(path) for path in folder.of(Kind.RASTER)]
    # A NetCDF file with a grid on the earth is a raster; others may hold station records.
    facts += [one for one in map(facts_of, folder.of(Kind.NETCDF)) if isinstance(one, RasterFacts) and one.crs]
    layers = [one for path in folder.of(Kind.VECTOR) for one in layers_with_facts(path)]
    unused = [one for one in (*facts, *layers) if isinstance(one, UnknownFile)]
    shapes = [one for one in layers if isinstance(one, LayerFacts)]
    kinds: dict[RasterKind, list[RasterFacts]] = {}
    rasters = {one.path: one for one in facts if isinstance(one, RasterFacts)}
    in_tables = named_in_tables(folder)
    for raster in rasters.values():
        if raster.path not in in_tables:
            kind = kind_of(raster)
            if isinstance(kind, str):
                unused.append(UnknownFile(raster.path, kind))
            else:
                kinds.setdefault(kind, []).append(raster)
    ground = Ground(tuple(shapes), kinds=kinds, rasters=rasters, unused=tuple(unused))
    ground = _with_zones(ground, answers)
    return _with_canopy(_with_elevation(ground, answers), answers)


MOST_TABLE_BYTES = 1 << 20
"""A larger table names no rasters: flights and covers are some hundreds (cost alone)."""


def named_in_tables(folder: Folder) -> set[Path]:
    """Return the rasters whose names, or globs of them, stand in a table of flights or covers of the folder."""
    rasters = folder.of(Kind.RASTER)
    suffixes = tuple({path.suffix.lower() for path in rasters})
    named: set[Path] = set()
    tables = folder.of(Kind.TABLE, Kind.WORKBOOK) if rasters else []
    for table in [table for table in tables if table.stat().st_size <= MOST_TABLE_BYTES]:
        cells = _cells(table)
        patterns = {cell.rsplit("/", 1)[-1] for cell in cells if cell.lower().endswith(suffixes)}
        its = {path for path in rasters if any(path.name == one or fnmatchcase(path.name, one) for one in patterns)}
        # A list of the folder's files names rasters too, and says nothing of them.
        named |= its if its and _is_of_rasters(table) else set()
    return named


def _cells(path: Path) -> list[str]:
    """Return the cells of a text or a workbook, trimmed; none where it cannot be read."""
    if path.suffix.lower() not in WORKBOOKS:
        return [cell.strip() for cell in re.split(r"[,;|\t\r\n\"]+", path.read_text("utf-8", errors="replace"))]
    try:
        return [cell.strip() for sheet in read_sheets(path, "*", ".") for row in sheet.rows for cell in row]
    except InputError:
        return []


def _is_of_rasters(path: Path) -> bool:
    try:
        raws = raw_sheets(path) if path.suffix.lower() in WORKBOOKS else [raw_text(path)]
    except (BlanksError, InputError):
        return False
    roles = {role_of(seen_table(raw), FolderEvidence()).role for raw in raws if raw is not None}
    return bool(roles & {"flights", "covers"})


def _with_zones(ground: Ground, answers: Answers) -> Ground:
    elevations = ground.kinds.get(RasterKind.ELEVATION, [])
    candidates = zone_layers(ground.layers, elevations)
    if not candidates:
        return ground
    chosen = answers.settle(choice_of(candidates))
    layer = next(one for one in candidates if one.name == chosen.value)
    if layer.crs is None:
        return replace(ground, refusals=(*ground.refusals, without_crs(layer, elevations)))
    proposals = [replace(chosen, value=str(layer.path), others=())]
    if layer.layers > 1:
        why = f"the file has {layer.layers} layers; this one holds the polygons"
        proposals.append(answers.settle(Proposal("basin.zones_layer", layer.layer, why)))
    proposals += [answers.settle(one) for one in zone_columns(layer)]
    return replace(ground, zones=Zones(layer, tuple(proposals)))


def _with_elevation(ground: Ground, answers: Answers) -> Ground:
    """Return the ground with its elevation, whose unit may still be open."""
    candidates = ground.kinds.get(RasterKind.ELEVATION, [])
    nowhere = [one for one in candidates if one.crs is None]
    box = ground.zones.layer.box if ground.zones else None
    groups = elevation_groups([one for one in candidates if one.crs is not None], box)
    if not groups:
        return replace(ground, refusals=(*ground.refusals, *(_nowhere(one) for one in nowhere[:1])))
    named = {_group_name(group): group for group in groups}
    first, *others = named
    values: tuple[Value, ...] = tuple(others[:3])
    every = "; ".join(f"{name}: {_about(named[str(name)])}" for name in (first, *values))
    chosen = answers.settle(Proposal("terrain.elevation", first, every if values else _about(groups[0]), values))
    tiles = named[str(chosen.value)]
    elevation = Elevation(tuple(tiles), (replace(chosen, value=_paths_value([one.path for one in tiles]), others=()),))
    decided = with_unit(with_voids(elevation))
    if box is not None and sum(one.box.share_of(box) for one in tiles if one.box) < LEAST_COVER:
        why = f"the zones do not lie on the elevation: they lie at {box}, it at {tiles[0].box}"
        cure = "Check the coordinate systems of both. One of them is not the one that its file says, or the elevation is of another place"
        return replace(ground, refusals=(*ground.refusals, Refusal(tiles[0].path, "", why, cure)))
    left = [UnknownFile(one.path, f"{chosen.value} is the elevation") for one in candidates if one not in tiles]
    if isinstance(decided, Refusal):
        return replace(ground, refusals=(*ground.refusals, decided))
    for proposal in decided.proposals:
        if proposal.key == "terrain.voids":
            answers.settle(proposal)
    return replace(ground, elevation=decided, unused=(*ground.unused, *left))


def _nowhere(raster: RasterFacts) -> Refusal:
    cure = "Write its EPSG code into it (for example with gdal_edit -a_srs EPSG:32625), or put its .prj file beside it"
    return Refusal(raster.path, "", "the elevation has no coordinate system", cure)


def _group_name(group: list[RasterFacts]) -> str:
    return group[0].path.name if len(group) == 1 else f"{group[0].path.name} and {len(group) - 1} tiles beside it"


def _about(group: list[RasterFacts]) -> str:
    low, high = min(one.low for one in group), max(one.high for one in group)
    unit = group[0].unit or "no unit declared"
    return f"heights {low:.0f} to {high:.0f} ({unit}), pixels of {group[0].pixel_m:.0f} m, {group[0].box}"


def _paths_value(paths: list[Path]) -> Value:
    """Return paths as a setting: one, a glob that meets them and no others, or a list."""
    if len(paths) == 1:
        return str(paths[0])
    return _common_glob(paths) or [str(path) for path in sorted(paths)]


def _common_glob(paths: list[Path]) -> str:
    """Return a glob of the names' common beginning and end; empty where it would meet other files too."""
    if len({path.parent for path in paths}) > 1:
        return ""
    pattern = paths[0].parent / name_pattern([path.name for path in paths])
    return str(pattern) if set(matching(pattern)) == set(paths) else ""


def _with_canopy(ground: Ground, answers: Answers) -> Ground:
    candidates = ground.kinds.get(RasterKind.CANOPY, [])
    refused = {one.path: why for one in candidates if (why := fraction_refusal(one) or _no_crs(one))}
    usable = [one for one in candidates if one.path not in refused]
    unused = [UnknownFile(path, f"it looks like the canopy cover, but {why}") for path, why in refused.items()]
    canopy = None
    if usable:
        first, *others = (str(one.path) for one in usable)
        evidence = f"values {usable[0].low:.2g} to {usable[0].high:.2g}, no date in the name"
        canopy = answers.settle(Proposal("terrain.canopy", first, evidence, tuple(others)))
        unused += [UnknownFile(one.path, "another canopy is used") for one in usable if str(one.path) != canopy.value]
    return replace(ground, canopy=canopy, unused=(*ground.unused, *unused))


def _no_crs(raster: RasterFacts) -> str:
    return (
        "" if raster.crs is not None else "it has no coordinate system. Write its EPSG code into it, and run init again"
    )


def with_decided_unit(ground: Ground, answers: Answers, sites: pd.DataFrame | None, *, compares: bool = True) -> Ground:
    """Return the ground with the elevation's unit decided by the sites, or by a person.

    Parameters
    ----------
    sites : table of longitude, latitude, elevation_m; None where there are no sites.
    compares : whether the sites say the unit of their heights.
    """
    if ground.elevation is None:
        return ground
    decided = with_unit(ground.elevation, sites, compares=compares)
    if isinstance(decided, Refusal):
        return replace(ground, refusals=(*ground.refusals, decided))
    for proposal in decided.proposals:
        if proposal.key == "terrain.elevation_unit":
            answer = answers.settle(proposal)
            decided = in_answered_unit(decided, answer) if answer.is_safe else decided
    return replace(ground, elevation=decided)
