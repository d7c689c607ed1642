"""The zones: polygons whose union is the basin, with an id and a name."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from snowtally.inputs.columns import ColumnSetting, plain_header
from snowtally.inputs.known_tables import ZONES
from snowtally.inputs.raster_frame import MOST_DEGREES
from snowtally.inputs.vector_file import layers_of, read_shapes
from snowtally.model.problems import InputError, one_line


def read_zones(
    path: Path, crs: CRS, layer: str | None = None, columns: Mapping[str, ColumnSetting] = MappingProxyType({})
) -> geopandas.GeoDataFrame:
    """Return the zones in the grid's coordinate system.

    There is one row for each zone: `zone_id`, `name` and `geometry`. Rows are sorted by zone_id.

    Parameters
    ----------
    layer : name of the layer that holds them; None where the file has only one.
    columns : what the settings say of the attributes `zone_id` and `name`.

    Raises
    ------
    InputError : the file cannot be read, is no vector data, has several layers and none is named, lacks zone_id or a declared
        attribute, has a feature without one of them or without a polygon, or gives one zone_id two names.
    """
    zones = read_shapes("zones", path, _layer(path, layer))
    if zones.empty:
        message = f"zones {path} hold no polygon"
        raise InputError(message)
    _check_system(path, zones)
    zones = _with_canonical_names(path, zones, columns)
    _whole_features(path, zones)
    _one_name_each(path, zones)
    _check_finite(path, zones, "has a coordinate that is no number. Draw the outline again")
    try:
        zones["geometry"] = zones.geometry.make_valid()
        zones = zones.dissolve("zone_id", aggfunc="first", sort=True).reset_index()
    except shapely.errors.ShapelyError as trouble:
        message = f"zones {path} hold an outline that cannot be mended ({one_line(trouble)}). Draw it again"
        raise InputError(message) from None
    zones = zones[["zone_id", "name", "geometry"]].to_crs(crs)
    far = f"lies where {crs.name} has no place. Check the coordinate system of the zones and grid.crs in the settings"
    _check_finite(path, zones, far)
    return zones


def _with_canonical_names(
    path: Path, zones: geopandas.GeoDataFrame, columns: Mapping[str, ColumnSetting]
) -> geopandas.GeoDataFrame:
    """Return `zone_id`, `name` and `geometry` of each feature, both as text, empty where a feature has none."""
    attributes = zones.drop(columns=zones.geometry.name)
    texts: dict[str, pd.Series] = {}
    absent = []
    for column in ZONES.columns:
        setting = columns.get(column.key)
        if setting is not None and setting.constant is not None:
            texts[column.name] = pd.Series(setting.constant, index=zones.index)
            continue
        declared = setting.column if setting is not None else None
        wanted = declared or column.header
        same = [name for name in attributes if plain_header(name) == plain_header(wanted)]
        if wanted in attributes or len(same) == 1:
            texts[column.name] = _as_text(attributes[wanted if wanted in attributes else same[0]])
        elif column.required or declared:
            absent.append(wanted)
    if absent:
        message = (
            f"zones {path}: no attribute {' and '.join(absent)}. It has: {', '.join(map(str, attributes))}. Name the attributes under "
            "columns.zones in the settings, such as zone_id: {column: BASIN_NO}"
        )
        raise InputError(message)
    named = {"zone_id": texts["zone_id"], "name": texts.get("name", texts["zone_id"])}
    return geopandas.GeoDataFrame(named, geometry=zones.geometry.to_numpy(), crs=zones.crs, index=zones.index)


def _as_text(values: pd.Series) -> pd.Series:
    """Return an attribute as text; a number that is whole has no decimals, as a table that stores 10 as 10.0 means it."""
    if pd.api.types.is_float_dtype(values) and (values.dropna() % 1 == 0).all():
        values = values.astype("Int64")
    return values.astype(object).where(values.notna(), "").astype(str).str.strip()


def _check_system(path: Path, zones: geopandas.GeoDataFrame) -> None:
    """Raise InputError where coordinates cannot be of the system that the file declares: metres as degrees, degrees as metres."""
    corners = shapely.get_coordinates(zones.geometry.to_numpy())
    corners = np.abs(corners[np.isfinite(corners).all(axis=1)])
    if not len(corners):
        return
    x, y = corners.max(axis=0)
    remedy = "Write the EPSG code of their own coordinate system into the file"
    if zones.crs.is_geographic and max(x, y) > MOST_DEGREES:
        raise InputError(
            f"zones {path} declare degrees ({zones.crs.name}), but their coordinates reach {x:.0f} and {y:.0f}: metres, it seems. {remedy}; "
            "GeoJSON has none but degrees of WGS 84"
        )
    if zones.crs.is_projected and x <= TURN_DEG and y <= POLE_DEG:
        raise InputError(
            f"zones {path} declare {zones.crs.axis_info[0].unit_name}s ({zones.crs.name}), but their coordinates reach no further than "
            f"{x:.4g} and {y:.4g}: degrees, it seems. {remedy}"
        )


TURN_DEG, POLE_DEG = 360.0, 90.0
"""Greatest longitude and latitude. A basin within so many metres of a system's origin is none."""


def _check_finite(path: Path, zones: geopandas.GeoDataFrame, trouble: str) -> None:
    """Raise InputError where an outline has a coordinate that is no number or infinite."""
    for zone_id, outline in zip(zones["zone_id"], zones.geometry, strict=True):
        if not np.isfinite(shapely.get_coordinates(outline)).all():
            message = f"zones {path}: zone '{zone_id}' {trouble}"
            raise InputError(message)


def _layer(path: Path, wanted: str | None) -> str | None:
    """Return the layer that holds the zones; None for the only one. Raises InputError where it cannot be told."""
    names = layers_of("zones", path)
    if wanted is None and len(names) <= 1:
        return None
    if wanted in names:
        return wanted
    said = "has several layers" if wanted is None else f"has no layer '{wanted}'"
    message = f"zones {path} {said}: {', '.join(names)}. Name the one that holds the zones under basin.zones_layer in the settings"
    raise InputError(message)


def _whole_features(path: Path, zones: geopandas.GeoDataFrame) -> None:
    """Raise InputError where a feature has no zone_id, name or polygon.

    The basin would lack its ground without a word.
    """
    kinds = zones.geometry.geom_type
    lacking = {
        "no outline": zones.geometry.isna() | zones.geometry.is_empty,
        "no polygon as its outline": kinds.notna() & ~kinds.isin(["Polygon", "MultiPolygon"]),
        "no zone_id": zones["zone_id"].eq(""),
        "no name": zones["name"].eq(""),
    }
    for what, features in lacking.items():
        if features.any():
            first = int(np.flatnonzero(features)[0])
            feature = f"feature {first + 1} of {len(zones)}"
            more = f", nor have {int(features.sum()) - 1} others" if features.sum() > 1 else ""
            known = f" (zone_id '{zones['zone_id'].iloc[first]}')" if what != "no zone_id" else ""
            message = f"zones {path}: {feature}{known} has {what}{more}. Mend it, or take it out if it is no zone"
            raise InputError(message)


def _one_name_each(path: Path, zones: geopandas.GeoDataFrame) -> None:
    """Raise InputError where polygons of one zone_id have two names.

    They may be two zones under one id by a slip.
    """
    names = zones.groupby("zone_id")["name"].unique()
    for zone_id, given in names[names.map(len) > 1].items():
        message = (
            f"zones {path}: zone_id '{zone_id}' has the names {' and '.join(map(repr, given))}. "
            "Give two zones two ids, and the parts of one zone one name (columns.zones.name in the settings says which attribute it is)"
        )
        raise InputError(message)


def zone_rows(zones: geopandas.GeoDataFrame) -> pd.DataFrame:
    """Return zones as rows of text: `zone_id`, `name`, `crs` and `outline`, well-known text to a millimetre."""
    crs = zones.crs.to_string()
    outline = shapely.to_wkt(zones.geometry.to_numpy(), rounding_precision=3)
    return pd.DataFrame(
        {"zone_id": zones["zone_id"].to_numpy(), "name": zones["name"].to_numpy(), "crs": crs, "outline": outline}
    )
