"""A small made-up basin whose snow follows from its elevation, written as files, and the command line to run on it."""

import contextlib
import io
import json
import os
import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pandas as pd
import rasterio
from affine import Affine
from pyproj import Transformer

from snowtally.cli.main import main

LEFT, TOP, WIDTH, HEIGHT = 500_000.0, 4_880_000.0, 60, 50
DENSITY = 300.0


def elevation_of(x, y):
    return 1500.0 + (x - LEFT) * 0.15 + (TOP - y) * 0.03


def depth_of(elevation):
    return np.maximum(0.0, (elevation - 1500.0) / 400.0)


def write_raster(path, values, cell_m, left, top):
    profile = {"driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": "float32"}
    with rasterio.open(
        path, "w", crs="EPSG:32625", transform=Affine(cell_m, 0, left, 0, -cell_m, top), nodata=-9999, **profile
    ) as to:
        to.write(values.astype("f4"), 1)


def write_basin(home):
    """Write the basin's files and settings into a folder and return it."""
    x = LEFT - 1000 + (np.arange(WIDTH + 20) + 0.5) * 100
    y = TOP + 1000 - (np.arange(HEIGHT + 20) + 0.5) * 100
    write_raster(home / "elevation.tif", elevation_of(x[None, :], y[:, None]), 100, LEFT - 1000, TOP + 1000)
    fine_x, fine_y = LEFT - 1007 + (np.arange(400) + 0.5) * 20, TOP + 1003 - (np.arange(350) + 0.5) * 20
    write_raster(
        home / "depth.tif", depth_of(elevation_of(fine_x[None, :], fine_y[:, None])), 20, LEFT - 1007, TOP + 1003
    )
    to_degrees = Transformer.from_crs("EPSG:32625", "EPSG:4326", always_xy=True)

    def ring(x0, x1):
        corners = [(x0, TOP), (x1, TOP), (x1, TOP - HEIGHT * 100), (x0, TOP - HEIGHT * 100), (x0, TOP)]
        return [list(to_degrees.transform(*corner)) for corner in corners]

    middle = LEFT + WIDTH * 50
    zones = [
        {
            "type": "Feature",
            "properties": {"zone_id": z, "name": f"Zone {z}"},
            "geometry": {"type": "Polygon", "coordinates": [ring(*e)]},
        }
        for z, e in (("west", (LEFT, middle)), ("east", (middle, LEFT + WIDTH * 100)))
    ]
    (home / "zones.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": zones}))
    places = [(LEFT + 900 * (i + 0.5), TOP - 700 * (i + 0.5)) for i in range(6)]
    sites, samples, records = [], [], []
    for number, place in enumerate(places):
        longitude, latitude = to_degrees.transform(*place)
        height = float(elevation_of(*place))
        kind = "station" if number % 2 else "course"
        sites.append(
            {
                "site_id": f"S{number}",
                "name": "",
                "kind": kind,
                "longitude": longitude,
                "latitude": latitude,
                "elevation_m": height,
            }
        )
        depth = float(depth_of(height))
        if kind == "course":
            samples += [
                {
                    "site_id": f"S{number}",
                    "date": "2031-03-01",
                    "point": p,
                    "depth_cm": 100 * depth,
                    "swe_mm": DENSITY * depth,
                }
                for p in range(1, 7)
            ]
        else:
            records += [
                {
                    "site_id": f"S{number}",
                    "time": f"{day:%Y-%m-%d}",
                    "swe_mm": DENSITY * depth + later * 4.0,
                    "depth_cm": 100 * depth,
                }
                for later, day in enumerate(pd.date_range("2031-03-01", "2031-03-10"))
            ]
    pd.DataFrame(sites).to_csv(home / "sites.csv", index=False)
    pd.DataFrame(samples).to_csv(home / "courses.csv", index=False)
    pd.DataFrame(records).to_csv(home / "stations.csv", index=False)
    (home / "flights.csv").write_text("flight_id,date,depth\nF1,2031-03-02,depth.tif\n")
    (home / "basin.yaml").write_text(
        "basin: {id: made, title: Made basin, zones: zones.geojson, utc_offset_hours: -2, margin_m: 500}\n"
        "grid: {crs: 'EPSG:32625', cell_m: 100}\nbands: {width_m: 200}\nterrain: {elevation: elevation.tif}\n"
        "inputs: {sites: sites.csv, courses: courses.csv, stations: stations.csv, flights: flights.csv}\narchive: archive\n"
        "metadata: {institution: Made Snow Office, licence: {id: CC-BY-4.0}}\n"
    )
    return home


def snowtally_apart(*words):
    """Run a command in a process of its own, with two threads where this one has one."""
    from one_thread import NAMES  # noqa: PLC0415  trials that use this basin may have their threads

    return subprocess.run(
        [sys.executable, "-c", "from snowtally.cli.main import main; main()", *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | dict.fromkeys(NAMES, "2"),
    )


def snowtally(*words):
    """Run a command as `snowtally` does, in this process: its imports are paid for once."""
    out, err, before = io.StringIO(), io.StringIO(), sys.argv
    sys.argv = ["snowtally", *map(str, words)]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
        status = 0
    except SystemExit as end:
        status = end.code or 0
    finally:
        sys.argv = before
    return SimpleNamespace(returncode=status, stdout=out.getvalue(), stderr=err.getvalue())


def changed(basin, name, edit):
    """Return a settings file like the basin's with its text edited, and an archive of its own."""
    file = basin / f"{name}.yaml"
    file.write_text(edit((basin / "basin.yaml").read_text().replace("archive: archive", f"archive: archive_{name}")))
    return file
