"""Files of a folder as teams keep them, for the tests of what is proposed: rasters, outlines, and tables of canonical columns."""

import json
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from made_basin import HEIGHT, LEFT, TOP, WIDTH, elevation_of

from snowtally.proposals.proposal import FileGroup, TableProposal, TableProposals, UnknownFile

FOOT = 0.3048


def write(path, values, corner=(LEFT, TOP), cell=100.0, **profile):
    """Write a raster whose upper left corner and cell are given, and return its path."""
    profile = {"driver": "GTiff", "crs": "EPSG:32625", "dtype": values.dtype.name, **profile}
    unit = profile.pop("unit", None)
    form = {"height": values.shape[0], "width": values.shape[1], "count": 1}
    transform = Affine(cell, 0, corner[0], 0, -cell, corner[1])
    with rasterio.open(path, "w", transform=transform, **form, **profile) as to:
        to.write(values, 1)
        if unit:
            to.units = [unit]
    return Path(path)


def heights(factor=1.0, dtype="float32", columns=WIDTH + 20, rows=HEIGHT + 20):
    """Return the heights of the made basin with a margin of 1 km, (y, x), and their corner."""
    x, y = LEFT - 1000 + (np.arange(columns) + 0.5) * 100, TOP + 1000 - (np.arange(rows) + 0.5) * 100
    return (elevation_of(x[None, :], y[:, None]) * factor).astype(dtype)


CORNER = (LEFT - 1000, TOP + 1000)


def square(west, south, side=0.02):
    """Return a square's ring in degrees."""
    east, north = west + side, south + side
    return [[[west, south], [east, south], [east, north], [west, north], [west, south]]]


def outlines(path, attributes, west=-33.0, south=44.0, kind="Polygon"):
    """Write one feature for each mapping of attributes, side by side, and return the path."""
    features = []
    for n, properties in enumerate(attributes):
        ring = square(west + 0.02 * n, south)
        shapes = {"Polygon": ring, "LineString": ring[0], "Point": ring[0][0]}
        geometry = {"type": kind, "coordinates": shapes[kind]}
        features.append({"type": "Feature", "properties": properties, "geometry": geometry})
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


HEADERS = {
    "sites": "site_id,name,kind",
    "courses": "site_id,date,point",
    "stations": "site_id,time",
    "flights": "flight_id,date",
    "covers": "date,variable,path",
    "weather": "date,elevation_m,solar",
    "normals": "site_id,day",
}
"""How the header lines of canonical tables begin."""


def canonical_tables(paths, _hint=None):
    """Return the tables of canonical columns among files, as one who recognises tables would."""
    groups, unknown = {}, []
    for path in paths:
        with path.open() as lines:
            head = lines.readline()
        role = next((role for role, start in HEADERS.items() if head.startswith(start)), None)
        if role is None:
            unknown.append(UnknownFile(path, "no canonical header"))
        else:
            groups.setdefault(role, []).append(path)
    tables = {
        role: TableProposal(role, tuple(files), "canonical columns", (FileGroup(tuple(files), "*"),))
        for role, files in groups.items()
    }
    return TableProposals(tables, unknown=tuple(unknown))
