"""Mutations of rasters and of the zones' polygons."""

from __future__ import annotations

import json
import random
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from mutation_kinds import RASTERS, mutation, name_in_settings, set_settings

HUGE = 200_000
ODD_VALUES = (np.nan, np.inf, -np.inf, 3e38, -3e38, 1e30, -32768.0, -9999.0, 0.0, 1e-40)
UTM = "EPSG:32625"


def rewrite(path: Path, values: np.ndarray | None = None, **profile: object) -> None:
    """Write a raster again with other values, or another profile; `scale` and `offset` are the band's."""
    with rasterio.open(path) as old:
        data = old.read(1)
        kept = {"driver": "GTiff", "height": old.height, "width": old.width, "count": 1, "dtype": "float32"}
        kept |= {"crs": old.crs, "transform": old.transform, "nodata": old.nodata}
    band = {name: profile.pop(name) for name in ("scale", "offset", "unit") if name in profile}
    kept |= profile
    values = data if values is None else values
    path.unlink()
    with rasterio.open(path, "w", **kept) as to:
        for number in range(1, kept["count"] + 1):
            with np.errstate(all="ignore"):
                to.write(values.astype(kept["dtype"]), number)
        if "scale" in band:
            to.scales = [band["scale"]] * kept["count"]
        if "offset" in band:
            to.offsets = [band["offset"]] * kept["count"]
        if "unit" in band:
            to.units = [band["unit"]] * kept["count"]


@mutation("raster: absurd scale, offset or unit", 2.0)
def _scale(chance: random.Random, home: Path) -> None:
    odd = (0.0, 1e300, -1e300, 1e-300, float("nan"), float("inf"), -1.0, 1e10)
    rewrite(
        home / chance.choice(RASTERS),
        scale=chance.choice((1.0, *odd)),
        offset=chance.choice((0.0, *odd)),
        unit=chance.choice(("m", "", "parsec", "\x1b[31m", "degC", "m" * 5000)),
    )


@mutation("raster: degenerate geotransform", 3.0)
def _geotransform(chance: random.Random, home: Path) -> None:
    path = home / chance.choice(RASTERS)
    with rasterio.open(path) as old:
        a, b, c, d, e, f = old.transform[:6]
    odd = chance.choice(
        (
            Affine(0, 0, c, 0, 0, f), Affine(a, a, c, a, a, f), Affine(1e-300, 0, c, 0, -1e-300, f), Affine(1e300, 0, c, 0, -1e300, f),
            Affine(float("nan"), b, c, d, e, f), Affine(a, b, float("inf"), d, e, f), Affine(-a, b, c, d, -e, f), Affine(0, a, c, e, 0, f),
            Affine(a, b, 1e18, d, e, -1e18), Affine(1e-6, b, c, d, -1e-6, f), Affine(1e6, b, c, d, -1e6, f), Affine(a, 30, c, 40, e, f),
        )
    )  # fmt: skip
    rewrite(path, transform=odd)


@mutation("raster: coordinates and system disagree", 2.0)
def _system(chance: random.Random, home: Path) -> None:
    odd = chance.choice(
        (
            "EPSG:4326", None, "EPSG:32725", "EPSG:3857", "EPSG:3031", "EPSG:4978", "EPSG:5703",
            'LOCAL_CS["site grid",UNIT["metre",1]]', "+proj=ob_tran +o_proj=longlat +o_lon_p=0 +o_lat_p=30 +lon_0=0",
            "+proj=geos +h=35785831 +lon_0=0", "+proj=utm +zone=25 +south +units=us-ft",
        )
    )  # fmt: skip
    rewrite(home / chance.choice(RASTERS), crs=odd)


@mutation("raster: far more pixels than it has bytes")
def _huge(chance: random.Random, home: Path) -> None:
    path = home / chance.choice(RASTERS)
    with rasterio.open(path) as old:
        transform, crs = old.transform, old.crs
    path.unlink()
    size = chance.choice((30_000, HUGE, 2_000_000))
    whole = chance.random() < 0.5  # all these pixels inside the basin, or most far outside it
    move = Affine.scale(100 / size) if whole else Affine.identity()
    profile = {"driver": "GTiff", "count": 1, "dtype": chance.choice(("uint8", "float64")), "crs": crs, "nodata": 0}
    with rasterio.open(
        path, "w", height=size, width=size, transform=transform * move, sparse_ok=True, tiled=True, compress="deflate",
        blockxsize=4096, blockysize=4096, bigtiff="yes", **profile
    ):  # fmt: skip
        pass


@mutation("raster: odd type, bands or nodata")
def _type(chance: random.Random, home: Path) -> None:
    dtype = chance.choice(("complex64", "complex128", "float64", "int16", "uint8", "uint16", "int32"))
    nodata = chance.choice((None, 0, 255)) if dtype == "uint8" else chance.choice((None, 0))
    rewrite(home / chance.choice(RASTERS), dtype=dtype, nodata=nodata, count=chance.choice((1, 2, 40)))


@mutation("raster: odd values", 2.0)
def _values(chance: random.Random, home: Path) -> None:
    path = home / chance.choice(RASTERS)
    with rasterio.open(path) as old:
        data, nodata = old.read(1), old.nodata
    mask = np.random.default_rng(chance.randrange(1 << 30)).random(data.shape) < chance.choice((0.001, 0.5, 1.0))
    data[mask] = chance.choice(ODD_VALUES)
    rewrite(path, data, nodata=chance.choice((nodata, None, float("nan"))))


@mutation("raster: one or no row of pixels")
def _thin(chance: random.Random, home: Path) -> None:
    path = home / chance.choice(RASTERS)
    with rasterio.open(path) as old:
        data = old.read(1)
    height, width = chance.choice(((1, 1), (1, data.shape[1]), (data.shape[0], 1), (2, 2)))
    rewrite(path, data[:height, :width], height=height, width=width)


# ---- zones


def _change_zones(home: Path, change) -> None:
    path = home / "zones.geojson"
    content = json.loads(path.read_text("utf-8"))
    content = change(content) or content
    path.write_text(content if isinstance(content, str) else json.dumps(content), "utf-8")


@mutation("zones: odd coordinates", 2.0)
def _coordinates(chance: random.Random, home: Path) -> None:
    odd = chance.choice((float("nan"), float("inf"), 1e300, -1e300, 181.0, 91.0, 500_000.0, "32", None, [], 1e-300))

    def change(content: dict) -> None:
        ring = content["features"][chance.randrange(2)]["geometry"]["coordinates"][0]
        for point in ring if chance.random() < 0.3 else [chance.choice(ring)]:
            point[chance.randrange(2)] = odd

    _change_zones(home, change)


@mutation("zones: odd geometry", 2.0)
def _geometry(chance: random.Random, home: Path) -> None:
    def change(content: dict) -> str | None:
        feature = content["features"][chance.randrange(2)]
        ring = feature["geometry"]["coordinates"][0]
        nested: dict = feature["geometry"]
        for _ in range(chance.choice((3, 200))):
            nested = {"type": "GeometryCollection", "geometries": [nested]}
        feature["geometry"] = chance.choice(
            (
                None, {}, {"type": "Polygon", "coordinates": []}, {"type": "Polygon", "coordinates": [[]]}, nested,
                {"type": "Point", "coordinates": ring[0]}, {"type": "LineString", "coordinates": ring},
                {"type": "Polygon", "coordinates": [[ring[0], ring[2], ring[1], ring[3], ring[0]]]},
                {"type": "Polygon", "coordinates": [ring[:3]]}, {"type": "Polygon", "coordinates": [[ring[0]] * 4]},
                {"type": "MultiPolygon", "coordinates": [[ring], [ring]]}, {"type": "Wedge", "coordinates": ring},
                {"type": "Polygon", "coordinates": [[[*p, 1e300] for p in ring]]},
                {"type": "Polygon", "coordinates": [[[p[0] * 1e-9, p[1]] for p in ring]]},
            )
        )  # fmt: skip

    _change_zones(home, change)


@mutation("zones: odd properties")
def _properties(chance: random.Random, home: Path) -> None:
    odd = chance.choice(
        (
            None,
            "",
            " ",
            5,
            1.5,
            True,
            [1],
            {"a": 1},
            "west",
            "x" * 100_000,
            "\x1b[31mred",
            "a\nb",
            "../..",
            "r²",
            "=1+1",
            "basin",
        )
    )

    def change(content: dict) -> None:
        properties = content["features"][chance.randrange(2)]["properties"]
        key = chance.choice(("zone_id", "name"))
        if chance.random() < 0.2:
            del properties[key]
        else:
            properties[key] = odd

    _change_zones(home, change)


@mutation("zones: odd document")
def _document(chance: random.Random, home: Path) -> None:
    def change(content: dict) -> str | None:
        match chance.randrange(7):
            case 0:
                content["features"] = []
            case 1:
                content["features"] *= 2
            case 2:
                content["crs"] = {
                    "type": "name",
                    "properties": {"name": chance.choice(("EPSG:99999", "EPSG:4978", "", "x" * 9000))},
                }
            case 3:
                return "[" * 100_000
            case 4:
                return '{"type": "FeatureCollection", "features": ' + "[" * 3000 + "]" * 3000 + "}"
            case 5:
                content["type"] = "Topology"
            case 6:
                return json.dumps(content["features"][0])
        return None

    _change_zones(home, change)


@mutation("zones: layers")
def _layers(chance: random.Random, home: Path) -> None:
    import geopandas as gpd  # noqa: PLC0415

    name_in_settings(home, "zones.gpkg")
    zones = gpd.read_file(home / "zones.geojson")
    if chance.random() < 0.5:
        zones.geometry = zones.to_crs(UTM).buffer(chance.choice((-1000, 1e-9, 1e7))).to_crs(zones.crs)
    if chance.random() < 0.3:
        zones = zones.to_crs(UTM).set_crs("EPSG:4326", allow_override=True)
    zones.to_file(home / "zones.gpkg", layer=chance.choice(("zones", "a\x1b[31m", "second")), driver="GPKG", mode="a")


@mutation("a canopy or flight in another format")
def _format(chance: random.Random, home: Path) -> None:
    odd = home / chance.choice(("raster.vrt", "raster.asc", "raster.png"))
    if odd.suffix == ".vrt":
        deep = chance.choice(("canopy.tif", "raster.vrt", "/dev/zero", "/vsicurl/http://127.0.0.1:9/x.tif"))
        band = f"<SimpleSource><SourceFilename relativeToVRT='1'>{deep}</SourceFilename><SourceBand>1</SourceBand></SimpleSource>"
        odd.write_text(
            f"<VRTDataset rasterXSize='80' rasterYSize='70'><SRS>{UTM}</SRS><GeoTransform>499000,100,0,4881000,0,-100</GeoTransform>"
            f"<VRTRasterBand dataType='Float32' band='1'>{band}</VRTRasterBand></VRTDataset>"
        )
    elif odd.suffix == ".asc":
        size = chance.choice(("80", "-1", "99999999", "x"))
        odd.write_text(f"ncols {size}\nnrows 70\nxllcorner 499000\nyllcorner 4874000\ncellsize 100\n" + "0.1 " * 5600)
    else:
        odd.write_bytes(b"\x89PNG\r\n\x1a\n" + chance.randbytes(200))
    set_settings(home, lambda content: content["terrain"].update(canopy=odd.name))
