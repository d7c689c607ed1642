"""A day's zones and sites as a map program draws them: GeoParquet in the grid's system, GeoJSON in degrees.

Polygons are the cells that a zone or zone-band holds, edge for edge, so that what lies in them is what the totals sum.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import shapely
from pyproj import CRS, Transformer
from rasterio.features import shapes

from snowtally.archive.columns import COLUMNS
from snowtally.model.day import Day
from snowtally.model.grid import BasinGrid
from snowtally.publishing.tables import arrow_table, parquet_bytes

DRAWN = ("basin", "zone", "zone_band")
"""Levels of the totals that have a polygon. A band is its zone-bands together."""

_IN_GEOJSON = ("basin", "zone")
"""The levels, first in the totals, that GeoJSON has too: zone-bands of cells take 0.4 MB a night as text (demo basin), zones 0.06."""

GEOPARQUET_VERSION = "1.1.0"

_DECIMALS = 6
"""Degrees are given to a tenth of a metre."""


def map_files(day: Day, totals: pd.DataFrame, sites: pd.DataFrame) -> dict[str, bytes]:
    """Return `zones` and `sites` as GeoParquet and GeoJSON, by file name. The tables are tidied."""
    drawn = pd.concat([totals[totals["level"] == level] for level in DRAWN], ignore_index=True)
    polygons = unit_polygons(day, drawn)
    points = list(shapely.points(sites["x"].to_numpy(float), sites["y"].to_numpy(float)))
    longitude, latitude = _degrees(day.grid.crs, np.array(shapely.get_coordinates(points)))
    located = arrow_table(sites, COLUMNS["sites"]).append_column("longitude", pa.array(longitude))
    tables = {
        "zones": (arrow_table(drawn, COLUMNS["totals"]), polygons),
        "sites": (located.append_column("latitude", pa.array(latitude)), points),
    }
    files = {}
    for name, (table, geometries) in tables.items():
        named = table.replace_schema_metadata(day.metadata.attributes)
        files[f"{name}.parquet"] = geoparquet_bytes(named, geometries, day.grid.crs)
        few = len(geometries) if name == "sites" else int(drawn["level"].isin(_IN_GEOJSON).sum())
        files[f"{name}.geojson"] = geojson_bytes(table[:few], geometries[:few], day.grid.crs)
    return files


def unit_polygons(day: Day, units: pd.DataFrame) -> list[shapely.MultiPolygon]:
    """Return the outlines of the cells of units, in the grid's system.

    Parameters
    ----------
    units : rows of the totals with `level` (basin, zone or zone_band), `zone_id` and `band_low_m`.
    """
    zone, band = (np.nan_to_num(day.fields[name].to_numpy()).astype(np.int32) for name in ("zone", "elevation_band"))
    held = day.fields["cell_area"].to_numpy() > 0
    step = len(day.bands) + 1
    numbers = {"basin": held, "zone": zone, "zone_band": np.where((zone > 0) & (band > 0), zone * step + band, 0)}
    # All units of a level in one look at the grid: one for each of some hundreds would take longer than all else that is written.
    of_level = {level: outlines_of(np.where(held, numbers[level], 0), day.grid) for level in set(units["level"])}
    zones = {zone_id: number for number, (zone_id, _) in enumerate(day.zones, start=1)}
    bands = {round(low, 1): number for number, (low, _) in enumerate(day.bands, start=1)}
    outlines = []
    for row in units.itertuples():
        number = 1 if row.level == "basin" else zones[row.zone_id]
        if row.level == "zone_band":
            number = number * step + bands[round(row.band_low_m, 1)]
        outlines.append(of_level[row.level].get(number, shapely.MultiPolygon()))
    return outlines


def outlines_of(numbers: np.ndarray, grid: BasinGrid) -> dict[int, shapely.MultiPolygon]:
    """Return the outline of the cells of each number above 0, in the grid's system. `numbers` is (y, x)."""
    parts = list(shapes(numbers.astype(np.int32), mask=numbers > 0, transform=grid.transform))
    rings = [ring for polygon, _ in parts for ring in polygon["coordinates"]]
    # All rings at once: one by one they take three times as long.
    of_ring = np.repeat(np.arange(len(rings)), [len(ring) for ring in rings])
    lines = shapely.linearrings(np.reshape([point for ring in rings for point in ring], (-1, 2)), indices=of_ring)
    of_polygon = np.repeat(np.arange(len(parts)), [len(polygon["coordinates"]) for polygon, _ in parts])
    polygons = shapely.polygons(lines, indices=of_polygon)
    number = np.array([number for _, number in parts], int)
    return {int(one): shapely.MultiPolygon(polygons[number == one]) for one in np.unique(number)}


def geoparquet_bytes(table: pa.Table, geometries: list[shapely.Geometry], crs: CRS) -> bytes:
    """Return a table with geometries as GeoParquet 1.1: WKB, the coordinate system as PROJJSON."""
    column = {
        "encoding": "WKB",
        "geometry_types": sorted({geometry.geom_type for geometry in geometries}),
        "crs": crs.to_json_dict(),
        **({"bbox": list(shapely.total_bounds(geometries))} if geometries else {}),
    }
    described = {"version": GEOPARQUET_VERSION, "primary_column": "geometry", "columns": {"geometry": column}}
    whole = table.append_column("geometry", pa.array(list(shapely.to_wkb(geometries)), pa.binary()))
    return parquet_bytes(whole.replace_schema_metadata({**(table.schema.metadata or {}), "geo": json.dumps(described)}))


def geojson_bytes(table: pa.Table, geometries: list[shapely.Geometry], crs: CRS) -> bytes:
    """Return a table with geometries as GeoJSON: WGS 84, a feature a line."""
    features = [
        json.dumps(
            {"type": "Feature", "properties": row, "geometry": in_degrees(geometry, crs)},
            ensure_ascii=False, default=str, separators=(",", ":"),
        )
        for row, geometry in zip(table.to_pylist(), geometries, strict=True)
    ]  # fmt: skip
    return ('{"type":"FeatureCollection","features":[\n' + ",\n".join(features) + "\n]}\n").encode("utf-8")


def in_degrees(geometry: shapely.Geometry, crs: CRS) -> dict[str, Any]:
    """Return a geometry of a projected system as GeoJSON in degrees, WGS 84."""
    moved = shapely.transform(geometry, lambda points: np.column_stack(_degrees(crs, points)))
    return json.loads(shapely.to_geojson(shapely.orient_polygons(moved)))


def _degrees(crs: CRS, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    to_degrees = Transformer.from_crs(crs, CRS(4326), always_xy=True)
    longitude, latitude = (np.asarray(axis) for axis in to_degrees.transform(*points.reshape(-1, 2).T))
    return longitude.round(_DECIMALS), latitude.round(_DECIMALS)
