"""Losses of rasters and of the tables that name them: terrain, flights, covers; and of the zones."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from affine import Affine
from losses import (
    FILE,
    PAST,
    SLIP,
    add,
    cut,
    edited,
    emptied,
    first_lines,
    gone,
    header_only,
    loss,
    set_input,
    without_rows,
)

ELEVATION, CANOPY, FLIGHTS, COVERS, ZONES = "elevation.tif", "canopy.tif", "flights.csv", "covers.csv", "zones.geojson"
DEPTH, SNOW_ON, SNOW_OFF = "flight_lf1_depth.tif", "flight_lf2_snow_on.tif", "flight_lf2_snow_off.tif"
STABLE, COVER = "flight_lf2_stable_ground.tif", "snow_cover_fraction_20310410.tif"
FOOT_M = 0.3048


def redrawn(
    name: str,
    values: Callable[[np.ma.MaskedArray], np.ndarray] | None = None,
    shift_m: tuple[float, float] = (0.0, 0.0),
    **profile: object,
) -> Callable[[Path], None]:
    """The raster is written again with other values, in true units as 32-bit floats, or shifted east and north."""

    def damage(home: Path) -> None:
        path = home / name
        with rasterio.open(path) as old:
            data = old.read(1, masked=True).astype("f8") * old.scales[0] + old.offsets[0]
            kept = {"crs": old.crs, "transform": old.transform, "height": old.height, "width": old.width}
        if values is not None:
            data = values(data)
        move = Affine.translation(*shift_m)
        kept |= {"driver": "GTiff", "count": 1, "dtype": "float32", "nodata": -9999.0, "compress": "deflate"} | profile
        kept["transform"] = move * kept["transform"]
        nodata = kept["nodata"]
        body = np.ma.filled(data, -9999.0 if nodata is None else nodata).astype(kept["dtype"])
        path.unlink()
        with rasterio.open(path, "w", **kept) as to:
            to.write(body, 1)

    return damage


def nowhere(data: np.ma.MaskedArray) -> np.ma.MaskedArray:
    """No pixel has data."""
    return np.ma.masked_all(data.shape)


def half(data: np.ma.MaskedArray) -> np.ma.MaskedArray:
    """The lower half of the rows has no data, as when half the tiles came."""
    data = data.copy()
    data[data.shape[0] // 2 :] = np.ma.masked
    return data


def times(factor: float) -> Callable[[np.ma.MaskedArray], np.ma.MaskedArray]:
    """Another unit."""
    return lambda data: data * factor


def narrower(name: str) -> Callable[[Path], None]:
    """The raster is a clip: its western half alone."""

    def damage(home: Path) -> None:
        with rasterio.open(home / name) as old:
            profile, window = old.profile, ((0, old.height), (0, old.width // 2))
            data, scales, offsets = old.read(window=window), old.scales, old.offsets
        (home / name).unlink()
        profile.update(width=data.shape[2])
        for key in ("tiled", "blockxsize", "blockysize"):
            profile.pop(key, None)
        with rasterio.open(home / name, "w", **profile) as to:
            to.write(data)
            to.scales, to.offsets = scales, offsets

    return damage


# ---- terrain

add("elevation-missing", FILE, gone(ELEVATION))
add("elevation-empty", FILE, emptied(ELEVATION))
add("elevation-cut", FILE, cut(ELEVATION, 0.6))
add("elevation-all-nodata", FILE, redrawn(ELEVATION, nowhere))
add("elevation-half-nodata", FILE, redrawn(ELEVATION, half))
add("elevation-western-half", FILE, narrower(ELEVATION))
add("elevation-in-feet", FILE, redrawn(ELEVATION, times(1 / FOOT_M)), "the sites' elevations contradict it")
add("elevation-shifted-2km", FILE, redrawn(ELEVATION, shift_m=(2000, 0)), "the sites' elevations contradict it")
add("elevation-upside-down", FILE, redrawn(ELEVATION, lambda data: data[::-1]), "the sites' elevations contradict it")


@loss("elevation-undeclared-voids", FILE, "whole numbers, voids of -32768, and no nodata said")
def _undeclared_voids(home: Path) -> None:
    def with_voids(data: np.ma.MaskedArray) -> np.ndarray:
        whole = np.ma.filled(np.round(data), -32768)
        whole[data.shape[0] // 3 : data.shape[0] // 2, data.shape[1] // 3 : data.shape[1] // 2] = -32768
        return whole

    redrawn(ELEVATION, with_voids, dtype="int16", nodata=None)(home)


add("canopy-missing", FILE, gone(CANOPY))
add("canopy-cut", FILE, cut(CANOPY))
add("canopy-all-nodata", FILE, redrawn(CANOPY, nowhere))
add("canopy-in-per-cent", FILE, redrawn(CANOPY, times(100)))

# ---- flights

add("flights-missing", FILE, gone(FLIGHTS))
add("flights-empty", FILE, emptied(FLIGHTS))
add("flights-header-only", PAST, header_only(FLIGHTS), "a season without flights has such a table")
add("flights-row-lost", PAST, without_rows(FLIGHTS, lambda t: t["flight_id"] == "LF-2"))
add("flights-older-copy", PAST, first_lines(FLIGHTS, 0.34))
add("flights-header-renamed", FILE, edited(FLIGHTS, lambda t: t.rename(columns={"snow_on": "on", "depth": "hs"})))
add(
    "flights-month-slipped",
    PAST,
    edited(FLIGHTS, lambda t: t.assign(date=t["date"].replace("2031-03-27", "2031-04-27"))),
    "a flight of a later day is none yet",
)
add("flight-surface-missing", FILE, gone(SNOW_ON))
add("flight-surface-empty", FILE, emptied(SNOW_ON))
add("flight-surface-cut", FILE, cut(SNOW_ON))
add("flight-surface-all-nodata", FILE, redrawn(SNOW_ON, nowhere))
add("flight-surface-half-nodata", PAST, redrawn(SNOW_ON, half), "a flight of half the basin is a flight")
add("flight-surface-in-feet", FILE, redrawn(SNOW_ON, times(1 / FOOT_M)))
add(
    "flight-surfaces-swapped",
    FILE,
    edited(FLIGHTS, lambda t: t.rename(columns={"snow_on": "snow_off", "snow_off": "snow_on"})),
)
add("flight-stable-ground-missing", FILE, gone(STABLE))
add("flight-depth-cut", FILE, cut(DEPTH))
add("flight-depth-all-nodata", FILE, redrawn(DEPTH, nowhere))
add("flight-depth-in-cm", FILE, redrawn(DEPTH, times(100)))
add("flight-depth-in-feet", FILE, redrawn(DEPTH, times(1 / FOOT_M)))
add("flight-depth-shifted-5km", SLIP, redrawn(DEPTH, shift_m=(5000, 0)), "nothing in a depth map tells where it lies")
add("flight-depth-all-zero", SLIP, redrawn(DEPTH, times(0)), "a bare basin in February contradicts every site")

# ---- covers

add("covers-missing", FILE, gone(COVERS))
add("covers-header-only", PAST, header_only(COVERS), "a season without covers has such a table")
add("covers-row-lost", PAST, without_rows(COVERS, lambda t: t["date"] == "2031-04-10"))
add("cover-missing", FILE, gone(COVER))
add("cover-cut", FILE, cut(COVER))
add("cover-all-nodata", PAST, redrawn(COVER, nowhere), "clouds everywhere look the same")
add("cover-in-per-cent", FILE, redrawn(COVER, times(100)))
add("cover-shifted-3km", SLIP, redrawn(COVER, shift_m=(3000, 0)), "nothing in a cover tells where it lies")
add("cover-all-bare", FILE, redrawn(COVER, times(0)), "a bare basin contradicts every site")

# ---- zones


def with_features(change: Callable[[list[dict]], list[dict]]) -> Callable[[Path], None]:
    """The zones' features are others."""

    def damage(home: Path) -> None:
        content = json.loads((home / ZONES).read_text("utf-8"))
        content["features"] = change(content["features"])
        (home / ZONES).write_text(json.dumps(content), "utf-8")

    return damage


add("zones-missing", FILE, gone(ZONES))
add("zones-empty", FILE, emptied(ZONES))
add("zones-cut", FILE, cut(ZONES))
add("zones-no-feature", FILE, with_features(lambda _: []))
add("zones-one-lost", PAST, with_features(lambda zones: zones[:2]))
add("zones-null-geometry", FILE, with_features(lambda zones: [*zones[:2], {**zones[2], "geometry": None}]))
add(
    "zones-null-id",
    FILE,
    with_features(lambda zones: [*zones[:2], {**zones[2], "properties": {"zone_id": None, "name": "x"}}]),
)
add("zones-id-header-renamed", FILE, lambda home: _text(home, '"zone_id"', '"id"'))
add("zones-doubled", FILE, with_features(lambda zones: [*zones, zones[0]]))


def _text(home: Path, old: str, new: str) -> None:
    path = home / ZONES
    path.write_text(path.read_text("utf-8").replace(old, new), "utf-8")


@loss("zones-geopackage-decoy-first", FILE, "two layers, of which the first is not the basin")
def _decoy_layer(home: Path) -> None:
    zones = gpd.read_file(home / ZONES)
    path = home / "zones.gpkg"
    decoy = zones.to_crs("EPSG:32625")
    decoy["geometry"] = decoy.buffer(-1500)
    decoy.to_crs(zones.crs).to_file(path, layer="drafts", driver="GPKG")
    zones.to_file(path, layer="zones", driver="GPKG", mode="a")
    set_input(home, basin__zones=path.name)


@loss("zones-in-metres", FILE, "metre coordinates that declare degrees")
def _metres(home: Path) -> None:
    metres = gpd.read_file(home / ZONES).to_crs("EPSG:32625")
    metres.set_crs("EPSG:4326", allow_override=True).to_file(home / ZONES, driver="GeoJSON")
