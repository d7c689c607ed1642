"""The archive as a STAC 1.1 catalogue: an item in each revision, a catalogue a season, a collection a basin.

An item never changes, so it names its predecessor only; which revision stands is told by the season's catalogue, which
lists one item a date. A season's catalogue holds a year's dates at most, so that nothing grows without bound.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from typing import Any

import shapely

from snowtally.model.day import Day
from snowtally.model.grid import BasinGrid
from snowtally.model.metadata import Metadata, Party
from snowtally.model.season import first_of_season
from snowtally.model.variables import VARIABLES
from snowtally.publishing.map_files import in_degrees, outlines_of
from snowtally.publishing.rasters import RASTERS
from snowtally.publishing.record import Numbers, Provenance, plain
from snowtally.reading import RECORD
from snowtally.storage.files import Written

ITEM = "item.json"
"""Name of a revision's item. Revisions of before record version 2 have none and are not in the catalogue."""

STAC_VERSION = "1.1.0"

EXTENSIONS = tuple(
    f"https://stac-extensions.github.io/{name}/schema.json"
    for name in ("projection/v2.0.0", "raster/v2.0.0", "file/v2.1.0", "version/v1.2.0", "processing/v1.2.0")
)

_SHA256_MULTIHASH = "1220"
"""A multihash begins with the hash's code (0x12, sha2-256) and length (0x20 bytes), as the file extension wants it."""

_KINDS = {
    ".nc": ("application/x-netcdf", ["data"]),
    ".tif": ("image/tiff; application=geotiff; profile=cloud-optimized", ["data"]),
    ".parquet": ("application/vnd.apache.parquet", ["data"]),
    ".csv": ("text/csv", ["metadata"]),
    ".json": ("application/json", ["metadata"]),
    ".geojson": ("application/geo+json", ["data"]),
}

_EDGE_POINTS = 8
"""Chords along the grid's longer edge: a projected edge is a curve in degrees, and eight chords follow it to metres."""

SEASON_START = "10-01"
"""First day of the season where a record's settings do not say."""


def season_name(date: dt.date, season_start: str = SEASON_START) -> str:
    """Return the name of the snow season that holds a date. The years in which it begins and ends.

    >>> season_name(dt.date(2031, 9, 30)), season_name(dt.date(2031, 10, 1)), season_name(dt.date(2031, 3, 1), "01-01")
    ('2030-2031', '2031-2032', '2031')
    """
    first = first_of_season(date, season_start)
    return str(first.year) if (first.month, first.day) == (1, 1) else f"{first.year}-{first.year + 1}"


def season_start(settings: dict[str, Any]) -> str:
    """Return the season's first day, month-day, from the settings of a record."""
    return settings.get("basin", {}).get("season_start", SEASON_START)


def item_json(day: Day, provenance: Provenance, numbers: Numbers, files: dict[str, Written]) -> bytes:
    """Return the STAC item of a revision as stored. `files` are its files without item and record."""
    number, parent = numbers.revision, numbers.before
    crs = day.grid.crs
    authority = crs.to_authority(min_confidence=100)
    left, bottom, right, top = day.grid.bounds
    geometry, bbox = outline(outlines_of(day.fields["cell_area"].to_numpy() > 0, day.grid)[1], day.grid)
    season = season_name(day.date, season_start(provenance.settings))
    links = [
        {"rel": "root", "href": "../../../catalog.json", "type": "application/json"},
        {"rel": "parent", "href": f"../../{season}.json", "type": "application/json"},
        {"rel": "collection", "href": "../../collection.json", "type": "application/json"},
    ]
    if day.metadata.licence is not None and day.metadata.licence.url is not None:
        links.append({"rel": LICENCE_LINK, "href": day.metadata.licence.url})
    if parent is not None:
        links.append({"rel": "predecessor-version", "href": f"../r{parent:03d}/{ITEM}", "type": "application/geo+json"})
    return _stored({
        "type": "Feature",
        "stac_version": STAC_VERSION,
        "stac_extensions": list(EXTENSIONS),
        "id": f"{day.basin_id}-{day.date}-r{number:03d}",
        "collection": day.basin_id,
        "geometry": geometry,
        "bbox": bbox,
        "properties": {
            "title": f"Snow water equivalent of {day.title}, {day.date}, revision {number}",
            "datetime": _instant(day.noon_utc),
            "created": plain(provenance.made),
            "version": str(number),
            "proj:code": None if authority is None else ":".join(authority),
            "proj:wkt2": crs.to_wkt(),
            "proj:shape": [day.grid.height, day.grid.width],
            "proj:transform": [float(value) for value in day.grid.transform[:6]],
            "proj:bbox": [left, bottom, right, top],
            **_terms(day.metadata),
            "processing:software": {"snowtally": provenance.code_version},
            "processing:lineage": provenance.reason,
            "snowtally:date": day.date.isoformat(),
            "snowtally:degraded": bool(provenance.degraded),
        },
        "links": links,
        "assets": {name: _asset(day, name, files[name]) for name in sorted(files)} | {RECORD: _record_asset()},
    })  # fmt: skip


LICENCE_LINK = "license"
"""Relation of the link to the terms of use."""


def _terms(metadata: Metadata) -> dict[str, Any]:
    """Return licence and providers as STAC has them. What the settings do not tell is left out."""
    licence, creator, contact = metadata.licence, metadata.creator, metadata.contact
    terms: dict[str, Any] = {} if licence is None else {"license": licence.id}
    providers = [
        *([{"name": metadata.institution, "roles": ["host"]}] if metadata.institution else []),
        *([_provider(creator, ["producer", "processor"])] if creator else []),
        *([_provider(contact, ["licensor"])] if contact else []),
    ]
    return terms | ({"providers": providers} if providers else {})


def _provider(party: Party, roles: list[str]) -> dict[str, Any]:
    """Return a party as a provider. STAC has no key for its address of mail, so that it stands in the description."""
    words = {"description": party.email} if party.email else {}
    return {"name": party.name, **words, "roles": roles, **({"url": party.url} if party.url else {})}


def _asset(day: Day, name: str, written: Written) -> dict[str, Any]:
    stem, suffix = name.rsplit(".", 1)
    kind, roles = _KINDS[f".{suffix}"]
    asset = {
        "href": f"./{name}",
        "type": kind,
        "roles": roles,
        "file:size": written.size,
        "file:checksum": _SHA256_MULTIHASH + written.sha256,
    }
    if suffix == "tif" and stem in RASTERS:
        variable = VARIABLES[stem]
        band = {
            "name": stem,
            "description": variable.long_name,
            "unit": variable.units,
            "data_type": "float32",
            "nodata": "nan",
        }
        asset |= {
            "title": variable.long_name, "bands": [band],
            "raster:spatial_resolution": day.grid.cell_m, "raster:sampling": "area",
        }  # fmt: skip
    return asset


def _record_asset() -> dict[str, Any]:
    """Return the record's asset.

    It is written after the item and holds the item's hash, so the item cannot hold its.
    """
    kind, roles = _KINDS[".json"]
    return {"href": f"./{RECORD}", "type": kind, "roles": roles, "title": "inputs, settings, versions and hashes"}


def outline(cells: shapely.Geometry, grid: BasinGrid) -> tuple[dict[str, Any], list[float]]:
    """Return the basin's outline as GeoJSON and its bounding box. The box is west, south, east, north, in degrees.

    `cells` is the outline of the basin's cells: it is followed within half a cell. Over the antimeridian west is greater than east, and the
    outline is the box in two parts (RFC 7946, 3.1.9 and 5.2).
    """
    longest = max(grid.width, grid.height) * grid.cell_m
    followed = shapely.segmentize(shapely.simplify(cells, grid.cell_m / 2), longest / _EDGE_POINTS)
    geometry = in_degrees(followed, grid.crs)
    points = shapely.get_coordinates(shapely.geometry.shape(geometry))
    longitude, latitude = points.T
    south, north = float(latitude.min()), float(latitude.max())
    half_circle = 180.0
    if longitude.max() - longitude.min() <= half_circle:
        return geometry, [float(longitude.min()), south, float(longitude.max()), north]
    west, east = float(longitude[longitude > 0].min()), float(longitude[longitude < 0].max())
    parts = [
        [[[a, south], [b, south], [b, north], [a, north], [a, south]]]
        for a, b in ((west, half_circle), (-half_circle, east))
    ]
    return {"type": "MultiPolygon", "coordinates": parts}, [west, south, east, north]


def season_json(basin: str, title: str, season: str, items: Iterable[tuple[str, str]]) -> bytes:
    """Return a season's catalogue. `items` are (date, path of the item from the basin's folder) of what stands."""
    listed = [
        {"rel": "item", "href": f"./{path}", "type": "application/geo+json", "title": date} for date, path in items
    ]
    return _stored({
        "type": "Catalog",
        "stac_version": STAC_VERSION,
        "id": f"{basin}-{season}",
        "title": f"{title}, season {season}",
        "description": "The standing estimate of each date of one snow season.",
        "links": [
            {"rel": "root", "href": "../catalog.json", "type": "application/json"},
            {"rel": "parent", "href": "./collection.json", "type": "application/json"},
            *listed,
        ],
    })  # fmt: skip


def collection_json(basin: str, seasons: list[str], ends: tuple[dict[str, Any], dict[str, Any]], title: str) -> bytes:
    """Return a basin's collection. `ends` are the items of the first and the last date that stand."""
    first, last = ends
    return _stored({
        "type": "Collection",
        "stac_version": STAC_VERSION,
        "stac_extensions": [EXTENSIONS[0]],
        "id": basin,
        "title": title,
        "description": "Nightly estimates of snow water equivalent, depth and density with standard errors.",
        # Of the newest item: a collection tells what holds now.
        "license": last["properties"].get("license", "other"),
        **{key: last["properties"][key] for key in ("providers",) if key in last["properties"]},
        "extent": {
            "spatial": {"bbox": [last["bbox"]]},
            "temporal": {"interval": [[first["properties"]["datetime"], last["properties"]["datetime"]]]},
        },
        "summaries": {"proj:code": [last["properties"]["proj:code"]]},
        "links": [
            {"rel": "root", "href": "../catalog.json", "type": "application/json"},
            {"rel": "parent", "href": "../catalog.json", "type": "application/json"},
            *(link for link in last["links"] if link["rel"] == LICENCE_LINK),
            *(
                {"rel": "child", "href": f"./{season}.json", "type": "application/json", "title": season}
                for season in seasons
            ),
        ],
    })  # fmt: skip


def catalog_json(basins: list[str]) -> bytes:
    """Return the archive's catalogue, one child for each collection."""
    children = [
        {"rel": "child", "href": f"./{basin}/collection.json", "type": "application/json", "title": basin}
        for basin in basins
    ]
    return _stored(
        {
            "type": "Catalog",
            "stac_version": STAC_VERSION,
            "id": "snowtally",
            "title": "Dated archive of basin snow water estimates",
            "description": "A collection a basin, a catalogue a season, an item for the standing estimate of each date.",
            "links": [{"rel": "root", "href": "./catalog.json", "type": "application/json"}, *children],
        }
    )


def _instant(moment: dt.datetime) -> str:
    return f"{moment.isoformat(timespec='seconds')}Z"


def _stored(content: dict[str, Any]) -> bytes:
    return (json.dumps(content, ensure_ascii=False, indent=1) + "\n").encode("utf-8")
